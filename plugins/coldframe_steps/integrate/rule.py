"""Which rejection rule a number of frames gets, and what their noise is known to be."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from coldframe.errors import StepError
from coldframe.frame import Array
from coldframe.step import Row
from coldframe_steps.combine.rejection import REJECTION_PARAMS, RULES
from coldframe_steps.kernels.few import MOST

FEW = 9
"""Up to so many frames are judged by their known noise: see docs/maths.md for the measurement."""

KNOWN, MANY = "known-noise", "winsorised-sigma-clip"

REJECT: Mapping[str, Any] = {
    **REJECTION_PARAMS["reject"],
    "enum": ["auto", *RULES, KNOWN],
    "default": "auto",
    "description": (
        "How outliers among a pixel's samples are found and left out. known-noise: by the noise "
        f"that the frames are known to have; auto: so for {FEW} frames or fewer, which tell too "
        f"little of their own scatter, and {MANY} for more"
    ),
}


def rule_for(params: Mapping[str, Any], frames: int) -> str:
    """The name of the rule for a number of frames."""
    named = str(params["reject"])
    return (KNOWN if frames <= FEW else MANY) if named == "auto" else named


def check_known(params: Mapping[str, Any], frames: int) -> None:
    """Raise StepError when there are more frames than can be judged by their known noise."""
    if rule_for(params, frames) == KNOWN and frames > MOST:
        raise StepError(
            f"reject: {KNOWN} takes at most {MOST} frames, and there are {frames}; use 'auto', or "
            "another rule"
        )


def noise_slopes(rows: Sequence[Row], scale: Array, noise: Array) -> Array:
    """float64 (n, c), ADU: what each frame's variance rises by per ADU of light, after scaling.

    scale : (n,), what a frame is multiplied by. noise : (n, c), sigma of a matched pixel of sky.

    scale / gain where the gain (e-/ADU) is known. Else what the sky itself tells: its variance over
    its level, which is no less than that, since read noise adds to the variance.
    """
    out = np.empty(noise.shape)
    for i, row in enumerate(rows):
        if row.info.gain:
            out[i] = scale[i] / row.info.gain
        else:
            sky = scale[i] * np.nanmedian(row.survey["sky_grid"], axis=(1, 2))
            out[i] = noise[i] ** 2 / np.maximum(np.maximum(sky, noise[i]), 1e-6)
    return out


def verdict(params: Mapping[str, Any], frames: int) -> str:
    """What to tell people where few frames, and not they, chose the rule; else nothing."""
    if params["reject"] != "auto" or frames > FEW:
        return ""
    if frames == 1:
        return "a single frame: nothing tells trails and cosmic rays from light, so they stay"
    return (
        f"{frames} frames are too few to tell outliers by their own scatter: each was judged by "
        f"the noise it is known to have ({KNOWN}); what is less than {params['high']:g} sigma of "
        "a frame above the others stays, by a share of one in "
        f"{frames}"
    )
