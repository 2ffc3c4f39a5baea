"""The sky of a frame on a coarse grid, and how frames' skies differ."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coldframe.frame import UNUSABLE, Array, Flag
from coldframe.medians import middle, size_of, within

BOXES = 16
"""Boxes across the longer side of the frame."""

SMALLEST = 8
"""Pixels a side: a smaller box tells nothing of its sky."""

FEW = 4096
"""Samples looked at in a large box, evenly spread: they place its sky to 0.02 sigma."""


@dataclass(frozen=True, slots=True)
class SkyGrid:
    """Robust sky of every box: values (c, rows, columns) in ADU, NaN where too little is usable.

    y, x : the boxes' centres in px of the frame, (rows,) and (columns,).
    """

    values: Array
    y: Array
    x: Array


def edges(length: int, box: int) -> Array:
    """Limits of the boxes along a side of `length` px: equal parts of about `box` px."""
    parts = max(1, round(length / box))
    return np.arange(parts + 1) * length // parts


def sky_grid(channels: Array, flags: Array) -> SkyGrid:
    """The sky of a frame, channels (c, y, x) and flags (y, x), box by box.

    Unusable and saturated pixels are left out. A box with less than a quarter of its pixels left
    is NaN. Stars are cut off by clipping at 3 sigma (1.4826 MAD) about the median until no more go;
    the median of the rest is the sky.
    """
    height, width = flags.shape
    box = max(max(height, width) / BOXES, SMALLEST)
    rows, columns = edges(height, int(box)), edges(width, int(box))
    values = np.full((len(channels), len(rows) - 1, len(columns) - 1), np.nan)
    thin = max(1, int(box / np.sqrt(FEW)))
    bad = UNUSABLE | Flag.SATURATED
    for j in range(len(rows) - 1):
        for i in range(len(columns) - 1):
            place = np.s_[rows[j] : rows[j + 1] : thin, columns[i] : columns[i + 1] : thin]
            good = (flags[place] & bad) == 0
            if np.count_nonzero(good) * 4 < good.size:
                continue
            for c, channel in enumerate(channels):
                samples = channel[place][good]
                values[c, j, i] = clipped_median(samples[np.isfinite(samples)])
    return SkyGrid(values, (rows[1:] + rows[:-1] - 1) / 2, (columns[1:] + columns[:-1] - 1) / 2)


def clipped_median(samples: Array) -> float:
    """Median of what lies within 3 sigma (1.4826 MAD) of the median, until no more is cut off."""
    samples = np.sort(samples)
    while samples.size:
        centre = middle(samples)
        away = samples - centre
        near = samples[within(away, 3 * 1.4826 * float(size_of(away)))]
        if near.size in (samples.size, 0):
            return float(centre)
        samples = near
    return float("nan")


@dataclass(frozen=True, slots=True)
class Surface:
    """A plane offset + slope_y (y - centre_y) + slope_x (x - centre_x): ADU, ADU/px."""

    offset: float
    slope_y: float = 0.0
    slope_x: float = 0.0


def fit_surface(
    values: Array, y: Array, x: Array, centre: tuple[float, float], tilted: bool
) -> Surface | None:
    """Robust plane through box values (rows, columns), or their robust mean when not `tilted`.

    Least squares, with boxes beyond 3 sigma (1.4826 MAD of the residuals) left out in turn until
    that changes nothing: a box that holds a drifting cloud or a bright star's halo does not tilt
    the plane. None when no box has a value; without tilt where fewer than 6 boxes have.
    """
    grid_y, grid_x = np.meshgrid(y - centre[0], x - centre[1], indexing="ij")
    known = np.isfinite(values)
    if not known.any():
        return None
    size = max(float(np.ptp(y)), float(np.ptp(x)), 1.0)
    terms = [np.ones(values.shape), grid_y / size, grid_x / size]
    if not tilted or known.sum() < 6 or min(values.shape) < 2:
        terms = terms[:1]
    design = np.stack([term[known] for term in terms], axis=1)
    target = values[known]
    keep = np.ones(target.size, dtype=bool)
    for _ in range(10):
        solution = np.linalg.lstsq(design[keep], target[keep], rcond=None)[0]
        away = np.abs(target - design @ solution)
        now = away <= max(3 * 1.4826 * float(np.median(away[keep])), 1e-12 * np.abs(target).max())
        if now.sum() < 2 * len(terms) or np.array_equal(now, keep):
            break
        keep = now
    solution = np.append(solution, np.zeros(3 - len(solution)))
    return Surface(float(solution[0]), float(solution[1]) / size, float(solution[2]) / size)
