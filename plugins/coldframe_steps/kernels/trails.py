"""Grow what was rejected of satellite trails, so that their faint edges go too."""

from __future__ import annotations

import numpy as np
from numba import njit

from coldframe.frame import Array
from coldframe_steps.kernels.options import INNER, REACH
from coldframe_steps.kernels.samples import Samples, level, matched, usable

CROWD = 3
"""A high rejection is part of a trail when so many of its neighbours were rejected high as well.

With 0.2% of the samples rejected by chance, 3 of 24 neighbours are so in 2 of 100,000 places.
"""


@njit(**INNER)
def _paint(grown: Array, y: int, x: int, radius: int) -> None:
    """Mark the disc around a pixel."""
    height, width = grown.shape
    for j in range(max(0, y - radius), min(height, y + radius + 1)):
        for i in range(max(0, x - radius), min(width, x + radius + 1)):
            if (j - y) * (j - y) + (i - x) * (i - x) <= radius * radius:
                grown[j, i] = 1


@njit(**INNER)
def _crowd(above: Array, y: int, x: int) -> int:
    """How many neighbours of a pixel are marked."""
    height, width = above.shape
    total = 0
    for j in range(max(0, y - REACH), min(height, y + REACH + 1)):
        for i in range(max(0, x - REACH), min(width, x + REACH + 1)):
            total += above[j, i]
    return total - above[y, x]


@njit(cache=True, nogil=True)
def grow_trails(samples: Samples, high: Array, radius: int, grown: Array) -> None:
    """Mark, in each frame, the discs around clusters of samples above the limit `high`.

    high : float32 (h, w). radius : px. grown : uint8 (n, h, w), zeros on entry; 1 within `radius`
    of a cluster's samples. Right for rows that are REACH + radius or more from a cut edge.
    """
    n, height, width = samples.data.shape
    above = np.empty((height, width), np.uint8)
    for f in range(n):
        if samples.weights[f] <= 0.0:
            continue
        for y in range(height):
            scale, offset, slope = level(samples.match[f], samples.y0 + y)
            values = samples.data[f, y]
            bits = samples.flags[f, y]
            for x in range(width):
                value = matched(values[x], scale, offset, slope, x)
                above[y, x] = np.uint8(usable(value, bits[x]) & (value > high[y, x]))
        for y in range(height):
            for x in range(width):
                if above[y, x] != 0 and _crowd(above, y, x) >= CROWD:
                    _paint(grown[f], y, x, radius)
