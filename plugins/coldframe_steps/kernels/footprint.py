"""Flags under the taps of an interpolated pixel: what must be left out, what is carried on."""

from __future__ import annotations

import numpy as np
from numba import njit

from coldframe.frame import Flag
from coldframe.loops import BARE

BAD, SATURATED, NOTE = 1, 2, 4
"""Marks: a value that must not be used; a saturated one; any other flag."""

_NO_DATA = np.uint8(Flag.NO_DATA)
_TRANSIENT = np.uint8(Flag.TRANSIENT)
_REPAIRED = np.uint8(Flag.REPAIRED)
_DEFECT = np.uint8(Flag.HOT | Flag.COLD)
_SATURATED = np.uint8(Flag.SATURATED)
_BOUNDS = np.uint8(Flag.SATURATED | Flag.CLIPPED)
_ORIGIN = np.uint8(Flag.HOT | Flag.COLD | Flag.REPAIRED)


@njit(**BARE)
def is_bad(flag):  # type: ignore[no-untyped-def]
    """Whether a pixel's value must not be used: no data, a transient, or an unrepaired defect."""
    defect = (flag & _DEFECT) != 0 and (flag & _REPAIRED) == 0
    return defect or (flag & (_NO_DATA | _TRANSIENT)) != 0


def mark_footprints(flags):  # type: ignore[no-untyped-def]
    """For each pixel what lies under its taps: uint8 (h * w + 3,), three more to be read with it.

    BAD and SATURATED from the taps -2..3 by -2..3; NOTE, any flag, from the inner four, 0..1 by
    0..1, from which alone flags are carried on.
    """
    out = np.zeros(flags.size + 3, np.uint8)
    _mark(flags, out[: flags.size].reshape(flags.shape))
    return out


@njit(**BARE)
def _mark_row(flags, pair, wide, inner):  # type: ignore[no-untyped-def]
    """The marks of one row: wide from the taps -2..3, inner from 0..1. pair : (w + 5,), room."""
    w = flags.size
    some = np.uint8(0)
    for x in range(w):
        some |= flags[x]
    if some == 0:
        wide[:] = 0
        inner[:] = 0
        return
    for x in range(w + 5):
        pair[x] = 0
    here = pair[2 : w + 2]
    for x in range(w):
        f = flags[x]
        mark = SATURATED if f & _SATURATED else 0
        here[x] = mark | (BAD if is_bad(f) else 0)
        inner[x] = NOTE if f else 0
    for x in range(w - 1):
        inner[x] |= inner[x + 1]
    for x in range(w + 4):
        pair[x] |= pair[x + 1]
    for x in range(w):
        wide[x] = pair[x] | pair[x + 2] | pair[x + 4]


@njit(cache=True, nogil=True)
def _mark(flags, out):  # type: ignore[no-untyped-def]
    h, w = flags.shape
    wide, inner = np.zeros((6, w), np.uint8), np.zeros((6, w), np.uint8)
    pair = np.empty(w + 5, np.uint8)
    for y in range(-3, h):
        new = (y + 3) % 6
        if y + 3 < h:
            _mark_row(flags[y + 3], pair, wide[new], inner[new])
        else:
            wide[new] = 0
            inner[new] = 0
        if y >= 0:
            line, here, below = out[y], inner[y % 6], inner[(y + 1) % 6]
            for x in range(w):
                upper, lower = wide[0, x] | wide[1, x] | wide[2, x], wide[3, x] | wide[4, x]
                line[x] = upper | lower | wide[5, x] | here[x] | below[x]


@njit(**BARE)
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
