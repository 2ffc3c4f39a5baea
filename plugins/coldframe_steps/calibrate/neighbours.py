"""Which pixels near a pixel have its colour."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from coldframe.frame import Array

REACH = 4
COUNT = 24


@lru_cache(maxsize=16)
def same_colour(cfa: str | None) -> Array:
    """Offsets of the nearest same-colour pixels, for each position of the 2 x 2 pattern.

    Parameters
    ----------
    cfa : colours of the top left 2 x 2, row-major, such as "RGGB"; None for a mono sensor.

    Returns
    -------
    int32 (4, 24, 2): (dy, dx), nearest first, ties in row-major order. The first 8 are the ring
    around the pixel: the 8 adjacent ones of a mono sensor, the 8 nearest greens, the 8 nearest
    reds or blues.
    """
    colours = cfa or "MMMM"
    table = np.empty((4, COUNT, 2), np.int32)
    for p in range(4):
        y, x = divmod(p, 2)
        near = [
            (dy * dy + dx * dx, dy, dx)
            for dy in range(-REACH, REACH + 1)
            for dx in range(-REACH, REACH + 1)
            if (dy or dx) and colours[(y + dy) % 2 * 2 + (x + dx) % 2] == colours[p]
        ]
        table[p] = [(dy, dx) for _, dy, dx in sorted(near)[:COUNT]]
    table.flags.writeable = False
    return table


def position(p: int) -> tuple[slice, slice]:
    """Slices of the pixels at one position (0 to 3, row-major) of the 2 x 2 pattern."""
    y, x = divmod(p, 2)
    return slice(y, None, 2), slice(x, None, 2)
