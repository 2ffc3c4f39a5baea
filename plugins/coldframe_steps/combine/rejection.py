"""The rejection parameters that combining and integrating have in common."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from coldframe.errors import StepError
from coldframe_steps.kernels.options import ESD, MIN_MAX, Rule

RULES = (
    "none",
    "min-max",
    "sigma-clip",
    "winsorised-sigma-clip",
    "mad-clip",
    "generalised-esd",
)
"""In the order of the codes in `kernels.options`."""

REJECTION_PARAMS: Mapping[str, Mapping[str, Any]] = {
    "reject": {
        "type": "string",
        "enum": list(RULES),
        "default": "winsorised-sigma-clip",
        "description": "How outliers among a pixel's samples are found and left out",
    },
    "low": {
        "type": "number",
        "minimum": 1,
        "default": 3.0,
        "unit": "sigma",
        "description": "Clips: a sample this far below the centre is an outlier",
    },
    "high": {
        "type": "number",
        "minimum": 1,
        "default": 3.0,
        "unit": "sigma",
        "description": "Clips: a sample this far above the centre is an outlier",
    },
    "iterations": {
        "type": "integer",
        "minimum": 0,
        "default": 0,
        "description": "Clips: how often to look again at what is left; 0 is until none is rejected",
    },
    "lowest": {
        "type": "integer",
        "minimum": 0,
        "default": 1,
        "unit": "samples",
        "description": "Min-max: how many of the lowest samples to leave out",
    },
    "highest": {
        "type": "integer",
        "minimum": 0,
        "default": 1,
        "unit": "samples",
        "description": "Min-max: how many of the highest samples to leave out",
    },
    "alpha": {
        "type": "number",
        "exclusiveMinimum": 0,
        "exclusiveMaximum": 1,
        "default": 0.02,
        "description": "Generalised ESD: chance of finding an outlier in a pixel that has none",
    },
    "most_rejected": {
        "type": "number",
        "minimum": 0,
        "maximum": 0.5,
        "default": 0.25,
        "description": "Generalised ESD: largest share of a pixel's samples that may be outliers",
    },
}

REJECTION_SOURCES = (
    "NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.3: generalised extreme studentised "
    "deviate test; B. Rosner (1983), Technometrics 25, 165",
    "ISO 13528:2015, annex C.3; P. J. Huber (1981), Robust Statistics: winsorised mean and sigma",
    "J. W. Tukey and D. H. McLaughlin (1963), Sankhya A 25, 331: variance of a trimmed mean",
    "J. L. Hodges and E. L. Lehmann (1967), JASA 62, 926: variance of the median of few values",
)


def rule_of(params: Mapping[str, Any]) -> Rule:
    """The kernels' rule from a step's checked parameters."""
    code = RULES.index(params["reject"])
    if code == MIN_MAX:
        options = (float(params["lowest"]), float(params["highest"]), 0.0)
    elif code == ESD:
        options = (float(params["most_rejected"]), 0.0, 0.0)
    else:
        options = (float(params["low"]), float(params["high"]), float(params["iterations"]))
    return Rule(code=code, options=options, alpha=float(params["alpha"]))


def check_count(params: Mapping[str, Any], n: int) -> None:
    """Raise StepError when min-max would leave none of n frames."""
    gone = params["lowest"] + params["highest"]
    if params["reject"] == "min-max" and gone >= n:
        raise StepError(
            f"min-max rejection of the {params['lowest']} lowest and {params['highest']} highest "
            f"samples needs more than {gone} frames, and there are {n}; lower 'lowest' and "
            "'highest', or choose another 'reject'"
        )
