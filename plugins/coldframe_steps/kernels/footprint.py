"""Flags under the taps of an interpolated pixel: what must be left out, what is carried on."""

from __future__ import annotations

import numpy as np
from numba import njit

from coldframe.frame import Flag

BAD, SATURATED, NOTE = 1, 2, 4
"""Marks: a value that must not be used; a saturated one; any other flag."""

_NO_DATA = np.uint8(Flag.NO_DATA)
_TRANSIENT = np.uint8(Flag.TRANSIENT)
_REPAIRED = np.uint8(Flag.REPAIRED)
_DEFECT = np.uint8(Flag.HOT | Flag.COLD)
_SATURATED = np.uint8(Flag.SATURATED)
_BOUNDS = np.uint8(Flag.SATURATED | Flag.CLIPPED)
_ORIGIN = np.uint8(Flag.HOT | Flag.COLD | Flag.REPAIRED)


@njit(cache=True, nogil=True)
def is_bad(flag):  # type: ignore[no-untyped-def]
    """Whether a pixel's value must not be used: no data, a transient, or an unrepaired defect."""
    defect = (flag & _DEFECT) != 0 and (flag & _REPAIRED) == 0
    return defect or (flag & (_NO_DATA | _TRANSIENT)) != 0


@njit(cache=True, nogil=True)
def mark_footprints(flags):  # type: ignore[no-untyped-def]
    """OR of the marks under the taps -2..3 by -2..3 of each pixel: uint8 (h, w)."""
    h, w = flags.shape
    # Room for the taps beyond the edge, which add nothing.
    marks = np.zeros((h + 5, w + 5), np.uint8)
    for y in range(h):
        for x in range(w):
            f = flags[y, x]
            mark = SATURATED if f & _SATURATED else 0
            if is_bad(f):
                mark |= BAD
            if f & ~_SATURATED:
                mark |= NOTE
            marks[y + 2, x + 2] = mark
    pair = np.zeros(w + 4, np.uint8)
    for y in range(2, h + 2):
        row = marks[y]
        for x in range(w + 4):
            pair[x] = row[x] | row[x + 1]
        for x in range(w):
            row[x] = pair[x] | pair[x + 2] | pair[x + 4]
    out = np.empty((h, w), np.uint8)
    for y in range(h):
        for x in range(w):
            out[y, x] = (
                marks[y, x]
                | marks[y + 1, x]
                | marks[y + 2, x]
                | marks[y + 3, x]
                | marks[y + 4, x]
                | marks[y + 5, x]
            )
    return out


@njit(cache=True, nogil=True)
def carried(flags, top, left, fy, fx):  # type: ignore[no-untyped-def]
    """Flags that an output pixel takes over from the usable ones of the four pixels around it.

    Bounds (saturated, clipped) from every one of them that has weight; where a value came from
    (hot, cold, repaired) from the nearest one.
    """
    height, width = flags.shape
    flag = np.uint8(0)
    for j in range(2):
        for k in range(2):
            y, x = top + j, left + k
            if y < 0 or x < 0 or y >= height or x >= width or is_bad(flags[y, x]):
                continue
            if (fy > 0.0 if j else fy < 1.0) and (fx > 0.0 if k else fx < 1.0):
                flag |= flags[y, x] & _BOUNDS
            if (fy >= 0.5) == (j == 1) and (fx >= 0.5) == (k == 1):
                flag |= flags[y, x] & _ORIGIN
    return flag
