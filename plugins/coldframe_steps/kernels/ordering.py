"""Sorting of many small sets of pixels."""

from __future__ import annotations

import numpy as np
from numba import njit

from coldframe.loops import ENTRY

_TOP = np.uint32(0x80000000)
_ALL = np.uint32(0xFFFFFFFF)
_DIGIT = np.uint32(0x7FF)
_BITS = 11
_ONE = np.uint32(1)


@njit(**ENTRY)
def sort_floats(values, n, room, counts, most):  # type: ignore[no-untyped-def]
    """Sort the first n of some finite float32 values in place.

    By digits of 11 bits (radix sort: Knuth, The Art of Computer Programming 3, 5.2.5), ten times as
    fast as comparing for the few thousand values of a box. Bits of positive floats order as whole
    numbers do; of negative ones all bits are turned over. The least is taken off first, so that
    pixels of much the same value need few digits.

    most : digits to go by, no literal (it would be compiled for each). With 3 all bits count; with 2 the upper 22 of those in which the values
    differ, and values that are alike in them may stand in any order.
    room : uint32 (2, n). counts : uint32 (2048,), room.
    """
    bits = values.view(np.uint32)
    source, target = room[0], room[1]
    lowest, highest = _ALL, np.uint32(0)
    for i in range(n):
        b = bits[i]
        key = b ^ (_ALL if b & _TOP else _TOP)
        source[i] = key
        lowest, highest = min(lowest, key), max(highest, key)
    length = 0
    while length < 32 and (highest - lowest) >> np.uint32(length):
        length += 1
    skipped = max(length - most * _BITS, 0)
    for first in range(skipped, length, _BITS):
        shift = np.uint32(first)
        counts[:] = 0
        for i in range(n):
            counts[((source[i] - lowest) >> shift) & _DIGIT] += _ONE
        start = np.uint32(0)
        for k in range(counts.size):
            start, counts[k] = start + counts[k], start
        for i in range(n):
            key = source[i]
            k = ((key - lowest) >> shift) & _DIGIT
            place = counts[k]
            target[place] = key
            counts[k] = place + _ONE
        source, target = target, source
    for i in range(n):
        key = source[i]
        bits[i] = key ^ (_TOP if key & _TOP else _ALL)
