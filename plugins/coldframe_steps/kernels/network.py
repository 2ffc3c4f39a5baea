"""Sort the samples of many pixels at once with a sorting network.

A network compares and swaps the same places whatever the values are, so that one machine
instruction orders a pair for many pixels. It costs more comparisons than sorting one pixel at a
time, and is many times faster all the same.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numba import njit

from coldframe.frame import Array

LANES = 32
"""Pixels that are sorted side by side."""


@lru_cache(maxsize=64)
def comparators(n: int) -> Array:
    """The compare-and-swap steps that sort any `n` values into rising order.

    Returns
    -------
    int32 (k, 2): pairs (i, j), i < j; the smaller of the two values goes to place i. Shared between
    callers: not to be written to.

    Notes
    -----
    Batcher's merge exchange: D. E. Knuth, The Art of Computer Programming, vol. 3, 2nd ed. (1998),
    section 5.2.2, algorithm M. Works for every n, with about n (log2 n)^2 / 4 steps.
    """
    pairs: list[Array] = []
    places = np.arange(n, dtype=np.int32)
    top = 1 << max(n - 1, 1).bit_length() - 1
    p = top
    while p > 0:
        q, r, d = top, 0, p
        while True:
            first = places[: max(n - d, 0)]
            first = first[(first & p) == r]
            pairs.append(np.stack([first, first + d], axis=1))
            if q == p:
                break
            d, q, r = q - p, q // 2, p
        p //= 2
    return np.ascontiguousarray(np.concatenate(pairs), dtype=np.int32)


@lru_cache(maxsize=64)
def merging_comparators(n: int) -> Array:
    """As `comparators`, for values that fall to some place and rise from there on.

    Notes
    -----
    K. E. Batcher (1968), Sorting networks and their applications, AFIPS 32, 307: the bitonic
    merger. To a power of 2 infinities are added at the end in thought; they never move.
    """
    places = np.arange(n, dtype=np.int32)
    pairs = [np.empty((0, 2), np.int32)]
    half = 1 << max(n - 1, 1).bit_length() - 1
    while half > 0:
        first = places[(places & half) == 0]
        first = first[first + half < n]
        pairs.append(np.stack([first, first + half], axis=1))
        half //= 2
    return np.ascontiguousarray(np.concatenate(pairs), dtype=np.int32)


@njit(cache=True, nogil=True)
def sort_lanes(block: Array, pairs: Array) -> None:
    """Sort every column of `block`, float32 (n, LANES), in place. No NaN may be in it."""
    for k in range(pairs.shape[0]):
        upper = block[pairs[k, 0]]
        lower = block[pairs[k, 1]]
        for lane in range(LANES):
            a = upper[lane]
            b = lower[lane]
            upper[lane] = a if a < b else b
            lower[lane] = b if a < b else a
