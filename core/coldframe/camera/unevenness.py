"""DSNU and PRNU: how much pixels differ without and with light.

Source: EMVA Standard 1288, release 4.0 (2021), "spatial nonuniformity": the spatial variance of an
average of L frames, less the temporal variance that is left in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from coldframe.frame import Array

BOX = 5  # pixels a side of the standard's high-pass filter for defect pixels


@dataclass(frozen=True, slots=True)
class Spread:
    """Spatial variance of a frame and its parts by column, row and pixel, ADU^2.

    A part may come out a little below zero by chance.
    """

    total: float
    column: float
    row: float
    pixel: float


def spatial_variance(mean: Array, temporal: float, frames: int) -> Spread:
    """Spatial variance of an average frame and how it splits.

    Parameters
    ----------
    mean : (y, x), average of `frames` frames, ADU. temporal : mean temporal variance of one frame,
        ADU^2.
    """
    m, n = mean.shape
    level = float(mean.mean())
    left = temporal / frames
    total = float(np.var(mean, ddof=1)) - left
    columns = float(np.mean((mean.mean(axis=0) - level) ** 2)) - left / m
    rows = float(np.mean((mean.mean(axis=1) - level) ** 2)) - left / n
    free = m * n - m - n
    return Spread(
        total=total,
        column=(m * n - m) / free * columns - n / free * (total - rows),
        row=(m * n - n) / free * rows - m / free * (total - columns),
        pixel=m * n / free * (total - columns - rows),
    )


def fine_variance(mean: Array, temporal: float, frames: int, sigmas: float = 5.0) -> float:
    """Spatial variance of what is finer than a 5 x 5 box, ADU^2.

    Optics darken a flat to its corners far more than pixels differ, so each pixel is compared
    with the mean of the 5 x 5 around it (the standard's high-pass filter). White noise keeps
    24/25 of its variance in that, which is made up for. Defects and the edges of dust beyond
    `sigmas` are left out (common practice, no source).

    Raises ValueError for fewer than 6 x 6 pixels.
    """
    if min(mean.shape) <= BOX:
        raise ValueError("too small for the 5 x 5 filter")
    half = BOX // 2
    rest = mean[half:-half, half:-half] - _box(mean)
    spread = 1.4826 * float(np.median(np.abs(rest - np.median(rest))))
    rest = rest[np.abs(rest) <= sigmas * spread] if spread > 0 else rest.ravel()
    return float(np.var(rest)) / (1 - 1 / BOX**2) - temporal / frames


def _box(data: Array) -> Array:
    """Mean of each 5 x 5, (y - 4, x - 4)."""
    sums = np.zeros((data.shape[0] + 1, data.shape[1] + 1))
    np.cumsum(np.cumsum(data - data.mean(), axis=0), axis=1, out=sums[1:, 1:])
    whole = sums[BOX:, BOX:] - sums[:-BOX, BOX:] - sums[BOX:, :-BOX] + sums[:-BOX, :-BOX]
    out: Array = whole / BOX**2 + data.mean()
    return out


def root(variance: float) -> float:
    """The standard deviation; a variance that came out negative by chance is none."""
    return math.sqrt(max(variance, 0.0))
