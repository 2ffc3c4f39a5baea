"""Sorting of many small sets of pixels."""

from __future__ import annotations

import numpy as np
from numba import njit

_TOP = np.uint32(0x80000000)
_ALL = np.uint32(0xFFFFFFFF)
_DIGIT = np.uint32(0x7FF)


@njit(cache=True, nogil=True)
def sort_floats(values, n, room, counts):  # type: ignore[no-untyped-def]
    """Sort the first n of some finite float32 values in place.

    By three digits of eleven bits (radix sort: Knuth, The Art of Computer Programming 3, 5.2.5),
    ten times as fast as comparing for the few thousand values of a box. Bits of positive floats
    order as whole numbers do; of negative ones all bits are turned over.

    room : uint32 (2, n). counts : int32 (3, 2048), room.
    """
    bits = values.view(np.uint32)
    counts[:] = 0
    for i in range(n):
        b = bits[i]
        key = b ^ (_ALL if b & _TOP else _TOP)
        room[0, i] = key
        counts[0, key & _DIGIT] += 1
        counts[1, (key >> np.uint32(11)) & _DIGIT] += 1
        counts[2, key >> np.uint32(22)] += 1
    for digit in range(3):
        start = np.int32(0)
        for k in range(2048):
            start, counts[digit, k] = start + counts[digit, k], start
        source, target, place = room[digit % 2], room[1 - digit % 2], counts[digit]
        for i in range(n):
            key = source[i]
            k = (key >> np.uint32(11 * digit)) & _DIGIT
            target[place[k]] = key
            place[k] += 1
    for i in range(n):
        key = room[1, i]
        bits[i] = key ^ (_TOP if key & _TOP else _ALL)
