"""Grow what was rejected of satellite trails, so that their faint edges go too."""

from __future__ import annotations

from numba import njit

from coldframe.frame import Array
from coldframe.loops import BARE, ENTRY
from coldframe_steps.kernels.options import REACH

CROWD = 3  # as `_crowded` counts
"""A high rejection is part of a trail when so many of its neighbours were rejected high as well.

With 0.2% of the samples rejected by chance, 3 of 24 neighbours are so in 2 of 100,000 places.
"""


@njit(**BARE)
def _paint(grown: Array, y: int, x: int, bits: int, radius: int) -> None:
    """Set bits in the disc around a pixel."""
    height, width = grown.shape
    for j in range(max(0, y - radius), min(height, y + radius + 1)):
        for i in range(max(0, x - radius), min(width, x + radius + 1)):
            if (j - y) * (j - y) + (i - x) * (i - x) <= radius * radius:
                grown[j, i] |= bits


@njit(**BARE)
def _crowded(hot: Array, y: int, x: int) -> int:
    """Those of a pixel's bits that CROWD or more of its neighbours have set as well."""
    height, width = hot.shape
    one, two, three = hot[y, x] & 0, hot[y, x] & 0, hot[y, x] & 0  # neighbours so far: at least
    for j in range(max(0, y - REACH), min(height, y + REACH + 1)):
        for i in range(max(0, x - REACH), min(width, x + REACH + 1)):
            if j == y and i == x:
                continue
            bits = hot[j, i] & hot[y, x]
            three |= two & bits
            two |= one & bits
            one |= bits
    return three


@njit(**ENTRY)
def grow_trails(hot: Array, radius: int, grown: Array) -> None:
    """Mark, frame by frame, the discs around clusters of samples that were rejected high.

    hot : uint64 (words, h, w), a bit for each frame, see `samples.Planes`. radius : px. grown :
    the same, zeros on entry; set within `radius` of a cluster's samples. Right for rows that are
    REACH + radius or more from a cut edge.
    """
    words, height, width = hot.shape
    for word in range(words):
        for y in range(height):
            for x in range(width):
                if hot[word, y, x] != 0:
                    bits = _crowded(hot[word], y, x)
                    if bits != 0:
                        _paint(grown[word], y, x, bits, radius)
