"""Which frame all others are registered to."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from pathlib import PurePath

import numpy as np

from coldframe.errors import StepError
from coldframe.frame import Array
from coldframe.step import Row

MANY = 1.5  # times the median number of stars; noise taken for stars must not win


def pick_reference(rows: Sequence[Row], wanted: str, min_stars: int) -> int:
    """Index of the reference among the group's rows.

    Parameters
    ----------
    rows : frames with a survey of the register step.
    wanted : "auto" for the frame with the best `quality`, else a file's name, with or without
        folders or suffix, or a frame's label.
    min_stars : a reference has at least as many.

    Raises StepError when no frame can be the reference, or the wanted one is not there or is poor.
    """
    if wanted != "auto":
        chosen = _named(rows, wanted)
        found = len(rows[chosen].survey["table"])
        if found < min_stars and "picture" not in rows[chosen].survey:
            raise StepError(
                f"the reference {rows[chosen].info.label} has only {found} stars, {min_stars} "
                "needed ('min_stars'); name another frame, or 'auto'"
            )
        return chosen
    able = [i for i, row in enumerate(rows) if len(row.survey["table"]) >= min_stars]
    able = [i for i in able if "fwhm" in rows[i].survey]
    if not able:
        pictured = [i for i, row in enumerate(rows) if "picture" in row.survey]
        if pictured:  # by its nebula: the deeper the better
            return min(pictured, key=lambda i: _noise(rows[i]))
        best = max((len(row.survey["table"]) for row in rows), default=0)
        raise StepError(
            f"none of the {len(rows)} frames can be the reference: the best has {best} stars, "
            f"{min_stars} needed; lower 'threshold' or 'min_stars', or check focus and sky"
        )
    return able[int(np.argmax(quality([rows[i] for i in able])))]


def quality(rows: Sequence[Row]) -> Array:
    """float64 (n,): how well each frame serves as reference; the greatest is best.

    ln stars - 2 ln FWHM + ln roundness - ln noise, where stars count up to 1.5 times the group's
    median, and noise is per second of exposure when all exposures are known. A faint star's SNR
    against the sky goes as 1 / (FWHM noise) and the precision of its position as SNR / FWHM (King
    1983, PASP 95, 163), hence FWHM twice. The sky's level counts through its noise. The choice of
    terms is common practice, no source.
    """
    stars = _column(rows, "stars")
    stars = np.minimum(stars, MANY * np.median(stars))
    noise = _column(rows, "noise")
    exposures = [row.info.exposure for row in rows]
    if all(exposures):
        noise = noise / np.array(exposures, np.float64)
    least = np.finfo(np.float64).tiny
    score: Array = (
        np.log(np.maximum(stars, 1.0))
        - 2.0 * np.log(_column(rows, "fwhm"))
        + np.log(_column(rows, "roundness"))
        - np.log(np.maximum(noise, least))
    )
    return score


def usual_by_filter(rows: Sequence[Row], name: str) -> Array:
    """float64 (n,): median of a measure among the frames of each one's filter; inf when none has it."""
    known = [(row.info.filter, float(row.survey[name][0])) for row in rows if name in row.survey]
    usual = {
        band: float(np.median([value for other, value in known if other == band]))
        for band in {band for band, _ in known}
    }
    return np.array([usual.get(row.info.filter, np.inf) for row in rows])


def _noise(row: Row) -> float:
    """ADU per second of exposure where that is known; of a blank frame, infinite."""
    return (float(row.survey["noise"][0]) or np.inf) / (row.info.exposure or 1.0)


def _column(rows: Sequence[Row], name: str) -> Array:
    return np.array([float(row.survey[name][0]) for row in rows])


def _named(rows: Sequence[Row], wanted: str) -> int:
    hits = [i for i, row in enumerate(rows) if wanted in _names(row)]
    if len(hits) == 1:
        return hits[0]
    labels = [row.info.label for row in rows]
    if hits:
        paths = ", ".join(rows[i].info.path for i in hits[:4])
        raise StepError(f"the reference '{wanted}' may be any of {paths}; give more of its path")
    near = difflib.get_close_matches(wanted, labels, n=3, cutoff=0.5) or labels[:3]
    raise StepError(
        f"the reference '{wanted}' is not among the {len(rows)} frames left in this group; "
        f"there are {', '.join(near)}{', ...' if len(near) < len(labels) else ''}"
    )


def _names(row: Row) -> set[str]:
    """Every way a person may name a frame: label, stem, and each tail of its path."""
    path = PurePath(row.info.path)
    tails = {"/".join(path.parts[i:]) for i in range(len(path.parts))}
    return {row.info.label, path.stem, str(path), *tails} - {""}
