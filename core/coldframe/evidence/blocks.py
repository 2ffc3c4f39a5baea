"""Means of small blocks of pixels, whatever their colours, with stars left out."""

from __future__ import annotations

import numpy as np
from numba import njit

from coldframe.frame import UNUSABLE, Array, Flag
from coldframe.loops import ENTRY
from coldframe.selection import median

LONGEST = 1500  # blocks along the longer side
STRIP = 16  # rows of blocks whose medians are found at once, in a fast part of memory


def block_size(shape: tuple[int, int]) -> int:
    """Side of a block: even, so that it holds all CFA positions."""
    return 2 * max(1, -(-max(shape) // (2 * LONGEST)))


def blocks_of(image: Array, flags: Array | None, block: int, cfa: bool) -> Array:
    """Means of blocks of block x block pixels: float64 (rows, columns).

    Each CFA position is first divided by its own median, so that colours do not matter. With flags
    (of a light), flagged pixels are left out, and those more than 3 sigma (1.4826 MAD) above the
    median of the means of 5 x 5 blocks: stars.
    """
    image = np.asarray(image, np.float32)
    height, width = (size // block * block for size in image.shape)
    step = 2 if cfa else 1
    planes = [image[y:height:step, x:width:step] for y in range(step) for x in range(step)]
    few = np.array([median(plane[::5, ::5]) or 1.0 for plane in planes], np.float32)
    levels = np.tile(few.reshape(step, step), (2 // step, 2 // step))
    marks = np.zeros(image.shape, np.uint8) if flags is None else flags
    bad = np.uint8(0 if flags is None else UNUSABLE | Flag.SATURATED | Flag.HOT | Flag.COLD)
    usual = np.zeros((height // block, width // block), np.float32)
    highest = np.full(usual.shape, np.inf, np.float32)
    means = np.empty(usual.shape, np.float64)
    _means(image, marks, bad, levels, usual, np.float32(np.inf), block, highest, means)
    if flags is None:
        return means
    usual = median_of_25(means.astype(np.float32))
    rows, columns = (np.arange(0, size, 3) for size in (height, width))
    away = image[:height:3, :width:3] / levels[np.ix_(rows % 2, columns % 2)]
    away -= usual[np.ix_(rows // block, columns // block)]
    sigma = 1.4826 * median(np.abs(away, out=away))
    _means(image, marks, bad, levels, usual, np.float32(3 * sigma), block, highest, means)
    return means


@njit(**ENTRY)
def _means(image, flags, bad, levels, usual, above, block, highest, means):  # type: ignore[no-untyped-def]
    """Of what is less than `above` above the usual and has no flag of `bad`; 1 for nothing.

    highest : of what is in each mean, and kept so; a block without anything to leave out stays as
    it is. Values are summed in float64.
    """
    for row in range(means.shape[0]):
        for column in range(means.shape[1]):
            if highest[row, column] - usual[row, column] < above:
                continue
            total, count, most = 0.0, 0, np.float32(-np.inf)
            for y in range(row * block, (row + 1) * block):
                for x in range(column * block, (column + 1) * block):
                    value = image[y, x] / levels[y & 1, x & 1]
                    away = value - usual[row, column]
                    if away > -np.inf and away < above and flags[y, x] & bad == 0:
                        total += value
                        count += 1
                        most = max(most, value)
            highest[row, column] = most
            means[row, column] = total / count if count else 1.0


def median_of_25(plane: Array) -> Array:
    """Median of the 5 x 5 about each pixel of a plane (y, x) of finite values, edges repeated.

    Notes
    -----
    Each column of five is sorted, then each row of five: a value of the 25 that then has 13 others
    or more before it both down and across, or behind it, is not their median. Of the 13 that are
    left the least and the greatest are forgotten in turn.
    """
    height, width = plane.shape
    wide = np.pad(plane, 2, mode="edge")
    out = np.empty_like(plane)
    for top in range(0, height, STRIP):
        rows = min(STRIP, height - top)
        columns = _sorted([wide[top + i : top + i + rows] for i in range(5)])
        grid = [_sorted([line[:, j : j + width] for j in range(5)]) for line in columns]
        left = [
            grid[i][j]
            for i in range(5)
            for j in range(5)
            if (i + 1) * (j + 1) <= 13 and (5 - i) * (5 - j) <= 13
        ]
        out[top : top + rows] = _middle(left)
    return out


def _sorted(five: list[Array]) -> list[Array]:
    """Of each place, by nine exchanges."""
    for i, j in ((0, 1), (3, 4), (2, 4), (2, 3), (1, 4), (0, 3), (0, 2), (1, 3), (1, 2)):
        _exchange(five, i, j)
    return five


def _middle(values: list[Array]) -> Array:
    """Median of each place, of an odd number of values.

    Of n values the least of n // 2 + 2 and the greatest are not it: there are too few others.
    """
    half = len(values) // 2 + 2
    left, more = values[:half], values[half:]
    while len(left) > 1:
        last = len(left) - 1
        for i in range(len(left) // 2):
            _exchange(left, i, last - i)
        for i in range(1, (last + 2) // 2):
            _exchange(left, 0, i)
            _exchange(left, last - i, last)
        left = left[1:-1] + more[:1]
        more = more[1:]
    return left[0]


def _exchange(values: list[Array], i: int, j: int) -> None:
    values[i], values[j] = np.minimum(values[i], values[j]), np.maximum(values[i], values[j])
