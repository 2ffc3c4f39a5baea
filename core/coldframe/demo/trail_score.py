"""What is left in a stack of the trails that crossed its frames."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from scipy import ndimage

from coldframe.demo.stage import Stage, view_of
from coldframe.frame import Array

_PIECE = 64  # px of a streak's length over which means are taken
_BESIDE = np.concatenate([np.arange(8, 15), np.arange(-14, -7)])


def trail_mask(stage: Stage, reach: int = 12) -> Array:
    """Pixels within `reach` px of a streak in any frame used, bool (y, x)."""
    mask = np.zeros(stage.truth.shape, dtype=bool)
    for y, x in _lines(stage):
        mask[np.rint(y).astype(int), np.rint(x).astype(int)] = True
    return ndimage.binary_dilation(mask, iterations=reach) if mask.any() else mask


def trail_residual(stage: Stage, residual: Array, free: Array, sigma: float) -> tuple[float, int]:
    """Brightest remnant of any trail, in `sigma` of single pixels, and the number of trails.

    Along each known streak, means over 64 px of its length and the middle 3 px of its width are
    taken, less the mean of what lies 8 to 14 px to both sides. NaN when there are no trails.

    Parameters
    ----------
    residual : stack less stars and nebula, float32 (y, x). free : bool (y, x), star-free pixels.
    """
    found = [_excess(y, x, residual, free) for y, x in _lines(stage)]
    seen = [pieces for pieces in found if len(pieces)]
    return max((float(p.max()) / sigma for p in seen), default=float("nan")), len(seen)


def _lines(stage: Stage) -> Iterator[tuple[Array, Array]]:
    """Points (y, x) about 1 px apart along the middle of each streak, in the stack's pixels."""
    height, width = stage.truth.shape
    for shot in stage.used:
        view = view_of(shot)
        for trail in view.trails:
            length = math.hypot(trail.y1 - trail.y0, trail.x1 - trail.x0)
            along = np.arange(0, length) / length
            ends = (
                trail.y0 + along * (trail.y1 - trail.y0),
                trail.x0 + along * (trail.x1 - trail.x0),
            )
            y, x = stage.projection.to_pixel(*view.projection.to_sky(*ends))
            inside = (y > 20) & (x > 20) & (y < height - 21) & (x < width - 21)
            if inside.sum() >= _PIECE:
                yield y[inside], x[inside]


def _excess(y: Array, x: Array, residual: Array, free: Array) -> Array:
    """Mean excess of each piece of a streak over what lies beside it, (pieces,)."""
    dy, dx = np.gradient(y), np.gradient(x)
    step = np.hypot(dy, dx)[:, np.newaxis]
    offsets = np.concatenate([np.arange(-1, 2), _BESIDE])
    py = y[:, np.newaxis] + offsets * dx[:, np.newaxis] / step
    px = x[:, np.newaxis] - offsets * dy[:, np.newaxis] / step
    values = ndimage.map_coordinates(residual, [py, px], order=1)
    good = free[np.rint(py).astype(int), np.rint(px).astype(int)]
    values = np.where(good, values, np.nan)
    pieces = []
    for start in range(0, len(y) - _PIECE + 1, _PIECE):
        piece = values[start : start + _PIECE]
        streak, beside = piece[:, :3], piece[:, 3:]
        if np.isfinite(streak).sum() >= 1.5 * _PIECE and np.isfinite(beside).any():
            pieces.append(np.nanmean(streak) - np.nanmean(beside))
    return np.array(pieces)
