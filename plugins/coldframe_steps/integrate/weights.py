"""How much each frame counts."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np

from coldframe.errors import StepError
from coldframe.frame import Array
from coldframe.step import Row
from coldframe_steps.integrate.expression import check_names, evaluate, parse

OWN = ("flux_scale", "noise", "sky")
"""Columns that integrating itself makes known of every frame."""

LONGEST_NIGHT = 18 * 3600.0  # s


def check_weights(how: str, expression: str, columns: Collection[str]) -> Mapping[str, str]:
    """What is wrong with the weights that are asked for: parameter -> message.

    columns : names of what is known of the frames.
    """
    if how == "fwhm" and "fwhm" not in columns:
        return {
            "weights": "no step measures the frames' fwhm; name a step such as measure-stars "
            "under 'measures:', or choose other weights"
        }
    if how != "expression":
        used = "is used with 'weights: expression' only; set that too, or leave it out"
        return {"expression": used} if expression else {}
    try:
        check_names(parse(expression), set(columns))
    except StepError as error:
        return {"expression": str(error)}
    return {}


def frame_weights(rows: Sequence[Row], noise: Array, how: str, expression: str) -> Array:
    """Weights of the frames, the highest 1.

    Parameters
    ----------
    noise : float64 (n, c), sigma of a matched pixel of sky: after scaling to equal flux.
    how : "noise", 1 / noise^2, which gives the lowest noise a weighted mean can have; "fwhm",
        1 / (noise fwhm)^2, which gives the highest SNR of point sources where sky noise rules
        (a star's light is gathered from an area that grows as fwhm^2: I. R. King 1983, PASP 95,
        163); "auto", as "fwhm" when the frames are of several nights and every FWHM is known, else
        as "noise"; "equal"; "expression", see `expression.parse`.

    Notes
    -----
    All colours of a frame share its weight: the mean over the colours of noise^2, each over its
    median among the frames. A frame that is poor in one colour then counts little in all, and
    stars do not change colour from one part of the sky to another.

    Raises StepError when a column is missing, or a weight is negative or not a number, or all are 0.
    """
    if how == "equal":
        return np.ones(len(rows))
    relative = relative_variance(noise)
    if how == "auto":
        measured = all(row.measures.get("fwhm", 0.0) > 0 for row in rows)
        how = "fwhm" if measured and _several_nights(rows) else "noise"
    if how == "noise":
        weights = 1 / relative
    elif how == "fwhm":
        weights = 1 / (relative * _column(rows, "fwhm") ** 2)
    else:
        weights = _expressed(rows, expression)
    return np.asarray(weights / weights.max(), dtype=np.float64)


def relative_variance(noise: Array) -> Array:
    """Mean over the colours of noise^2, in units of the colours' medians: float64 (n,)."""
    usual = np.median(noise, axis=0)
    usual = np.where(usual > 0, usual, 1.0)
    variance = np.mean((noise / usual) ** 2, axis=1)
    return np.maximum(variance, 1e-6)  # a frame without any noise is no frame of infinite weight


def _several_nights(rows: Sequence[Row]) -> bool:
    """Whether the frames were begun more than a night's length apart."""
    starts = [row.info.start for row in rows if row.info.start is not None]
    return bool(starts) and (max(starts) - min(starts)).total_seconds() > LONGEST_NIGHT


def _column(rows: Sequence[Row], name: str) -> Array:
    missing = [row.info.label for row in rows if not row.measures.get(name, 0.0) > 0]
    if missing:
        raise StepError(
            f"weights by {name} need every frame's {name}; it is not measured for "
            f"{_some(missing)}; register the frames first, or choose other weights"
        )
    return np.array([row.measures[name] for row in rows])


def _expressed(rows: Sequence[Row], text: str) -> Array:
    tree = parse(text)
    columns: list[Mapping[str, float]] = [row.measures for row in rows]
    known = set.intersection(*(set(measures) for measures in columns))
    check_names(tree, known)
    weights = np.array([evaluate(tree, measures) for measures in columns])
    bad = [row.info.label for row, w in zip(rows, weights, strict=True) if not 0 <= w < np.inf]
    if bad:
        raise StepError(
            f"weight expression '{text}' is negative or not a number for {_some(bad)}; "
            "max(0, ...) keeps it from going below 0"
        )
    if not weights.any():
        raise StepError(f"weight expression '{text}' is 0 for every frame")
    return weights


def _some(names: Sequence[str]) -> str:
    return ", ".join(names[:5]) + (f" and {len(names) - 5} more" if len(names) > 5 else "")
