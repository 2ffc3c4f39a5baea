"""Sort the samples of many pixels at once with a sorting network.

A network compares and swaps the same places whatever the values are, so that one machine
instruction orders a pair for many pixels. Runs of RUN rows are sorted without leaving the
processor's registers; what merges them is a list of pairs.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from llvmlite import ir
from numba import njit, types
from numba.extending import intrinsic

from coldframe.frame import Array
from coldframe_steps.kernels.options import BARE
from coldframe_steps.kernels.simd import WIDE, larger, load, lower, smaller, store, upper

RUN = 16
"""Rows that are sorted in registers."""

LINE = 64
"""Bytes of a cache line: rows that begin with one are loaded and stored faster."""


def rows_for(n: int) -> int:
    """Rows of a block that n samples fit into: a multiple of RUN."""
    return -(-n // RUN) * RUN


def _merge(n: int, p: int) -> list[tuple[int, int]]:
    """Pairs that make sorted runs of 2 p rows from sorted runs of p rows, among n."""
    pairs = []
    k = p
    while k > 0:
        for j in range(k % p, n - k, 2 * k):
            for i in range(min(k, n - j - k)):
                if (i + j) // (2 * p) == (i + j + k) // (2 * p):
                    pairs.append((i + j, i + j + k))
        k //= 2
    return pairs


def _table(pairs: Sequence[tuple[int, int]]) -> Array:
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)


def _needed(pairs: Sequence[tuple[int, int]], wanted: set[int]) -> list[tuple[int, int]]:
    """Those of the pairs that the values at the wanted places depend on."""
    kept = []
    alive = set(wanted)
    for i, j in reversed(pairs):
        if i in alive or j in alive:
            kept.append((i, j))
            alive |= {i, j}
    return kept[::-1]


def middles(n: int) -> set[int]:
    """Places of the median of n sorted values: one, or two."""
    return {(n - 1) // 2, n // 2} if n > 0 else set()


@lru_cache(maxsize=64)
def comparators(n: int, median_only: bool = False) -> Array:
    """The compare-and-swap steps that sort n values in rising order, after runs of RUN are.

    Returns
    -------
    int64 (k, 2): pairs (i, j), i < j; the smaller of the two values goes to place i. With
    `median_only`, only the least, the greatest and the middle values get to their places. Shared
    between callers: not to be written to.

    Notes
    -----
    K. E. Batcher (1968), Sorting networks and their applications, AFIPS 32, 307: odd-even merging,
    for every n: to the next power of 2 infinities are added at the end in thought; they never move.
    """
    pairs = []
    p = RUN
    while p < n:
        pairs += _merge(n, p)
        p *= 2
    return _table(_needed(pairs, middles(n) | {0, n - 1}) if median_only else pairs)


@lru_cache(maxsize=64)
def merging_comparators(n: int, median_only: bool = False) -> Array:
    """All steps that sort n values which fall to some place and rise from there on.

    Notes
    -----
    As `comparators`: Batcher's bitonic merger.
    """
    pairs = []
    half = 1 << max(n - 1, 1).bit_length() - 1
    while half > 0:
        pairs += [(i, i + half) for i in range(n - half) if i & half == 0]
        half //= 2
    return _table(_needed(pairs, middles(n)) if median_only else pairs)


@intrinsic
def _sort_run(typing: Any, block: Any, start: Any) -> Any:
    """Sort RUN rows; the first row begins at the flat place `start` of the block."""
    steps = [pair for p in (1, 2, 4, 8) for pair in _merge(RUN, p)]

    def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        data = context.make_array(block)(context, builder, args[0]).data
        kind = ir.VectorType(ir.FloatType(), WIDE).as_pointer()
        places = []
        for row in range(RUN):
            offset = builder.add(args[1], ir.Constant(ir.IntType(64), WIDE * row))
            places.append(builder.bitcast(builder.gep(data, [offset]), kind))
        rows = [builder.load(place, align=4) for place in places]
        for i, j in steps:
            x, y = rows[i], rows[j]
            rows[i], rows[j] = smaller(builder, x, y), larger(builder, x, y)
        for value, place in zip(rows, places, strict=True):
            builder.store(value, place, align=4)
        return context.get_dummy_value()

    return types.void(block, types.int64), generate


@njit(**BARE)
def sort_lanes(block: Array, pairs: Array) -> None:
    """Sort every column of `block`, float32 (a multiple of RUN, WIDE), in place.

    pairs : from `comparators`. No NaN may be in the block; rows beyond the samples hold infinities.
    """
    for first in range(0, block.shape[0], RUN):
        _sort_run(block, first * WIDE)
    merge_lanes(block, pairs)


@njit(**BARE)
def merge_lanes(block: Array, pairs: Array) -> None:
    """Compare and swap rows of `block`, float32 (n, WIDE), pair by pair."""
    for k in range(pairs.shape[0]):
        one = pairs[k, 0] * WIDE
        two = pairs[k, 1] * WIDE
        x = load(block, one)
        y = load(block, two)
        store(block, one, lower(x, y))
        store(block, two, upper(x, y))


def empty_block(rows: int) -> Array:
    """An array float32 (rows, WIDE) that begins with a cache line."""
    room = np.empty(rows * WIDE + LINE // 4, np.float32)
    skip = (-room.ctypes.data % LINE) // 4
    return room[skip : skip + rows * WIDE].reshape(rows, WIDE)
