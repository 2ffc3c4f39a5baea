"""Sort the samples of many pixels at once with a sorting network.

A network compares and swaps the same places whatever the values are, so that one machine
instruction orders a pair for many pixels. Runs of RUN rows are sorted without leaving the
processor's registers; what merges them is a list of steps.
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
from coldframe.loops import BARE
from coldframe_steps.kernels.simd import WIDE, larger, load, lower, smaller, store, upper

RUN = 16
"""Rows that are sorted in registers."""

WITHIN = -1
"""In place of a second row: sort the run."""

LINE = 64
"""Bytes of a cache line: rows that begin with one are loaded and stored faster."""


Step = tuple[int, int]


def rows_for(n: int) -> int:
    """Rows of a block that n samples fit into: a multiple of RUN."""
    return -(-n // RUN) * RUN


def middles(n: int) -> set[int]:
    """Places of the median of n sorted values: one, or two."""
    return {(n - 1) // 2, n // 2} if n > 0 else set()


def _halving(rows: int, half: int) -> list[Step]:
    """Sort what falls and rises in every stretch of 2 `half` rows: pairs, then within runs."""
    steps = []
    while half >= RUN:
        steps += [(i, i + half) for i in range(rows - half) if i & half == 0]
        half //= 2
    return steps + [(first, WITHIN) for first in range(0, rows, RUN)]


def _needed(steps: Sequence[Step], wanted: set[int]) -> list[Step]:
    """Those of the steps that the values at the wanted places depend on."""
    kept = []
    alive = set(wanted)
    for i, j in reversed(steps):
        touched = set(range(i, i + RUN)) if j == WITHIN else {i, j}
        if alive & touched:
            kept.append((i, j))
            alive |= touched
    return kept[::-1]


def _table(steps: Sequence[Step]) -> Array:
    return np.array(steps, dtype=np.int64).reshape(-1, 2)


@lru_cache(maxsize=64)
def sorting_steps(n: int, median_only: bool = False) -> Array:
    """How to sort n values in rising order, once runs of RUN are.

    Returns
    -------
    int64 (k, 2): pairs (i, j), i < j, the smaller of the two values goes to place i; or (i, WITHIN),
    by which RUN values from place i on that fall and rise are sorted. With `median_only`, only the
    least, the greatest and the middle values get to their places. Shared between callers: not to be
    written to.

    Notes
    -----
    K. E. Batcher (1968), Sorting networks and their applications, AFIPS 32, 307: bitonic sorting.
    Of two sorted runs one after the other, the first with the second turned round falls and rises.
    To the next power of 2 infinities are added at the end in thought; they never move.
    """
    rows, steps, p = rows_for(n), [], RUN
    while p < rows:
        for first in range(0, rows, 2 * p):
            pairs = [(first + i, first + 2 * p - 1 - i) for i in range(p)]
            steps += [(i, j) for i, j in pairs if j < rows]
        steps += _halving(rows, p // 2)
        p *= 2
    return _table(_needed(steps, middles(n) | {0, n - 1}) if median_only else steps)


@lru_cache(maxsize=64)
def merging_steps(n: int, median_only: bool = False) -> Array:
    """How to sort n values which fall to some place and rise from there on; as `sorting_steps`."""
    steps = _halving(rows_for(n), 1 << max(n - 1, 1).bit_length() - 1)
    return _table(_needed(steps, middles(n)) if median_only else steps)


def _in_registers(pairs: Sequence[Step]) -> Any:
    """A function that orders RUN rows of a block by pairs, from the flat place `start` on."""

    def make(typing: Any, block: Any, start: Any) -> Any:
        def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
            data = context.make_array(block)(context, builder, args[0]).data
            kind = ir.VectorType(ir.FloatType(), WIDE).as_pointer()
            places = []
            for row in range(RUN):
                offset = builder.add(args[1], ir.Constant(ir.IntType(64), WIDE * row))
                places.append(builder.bitcast(builder.gep(data, [offset]), kind))
            rows = [builder.load(place, align=4) for place in places]
            for i, j in pairs:
                x, y = rows[i], rows[j]
                rows[i], rows[j] = smaller(builder, x, y), larger(builder, x, y)
            for value, place in zip(rows, places, strict=True):
                builder.store(value, place, align=4)
            return context.get_dummy_value()

        return types.void(block, types.int64), generate

    return intrinsic(make)


def _odd_even(p: int) -> list[Step]:
    """Batcher's odd-even merge of sorted runs of p among RUN rows: fewer pairs than the bitonic."""
    pairs = []
    k = p
    while k > 0:
        for j in range(k % p, RUN - k, 2 * k):
            for i in range(min(k, RUN - j - k)):
                if (i + j) // (2 * p) == (i + j + k) // (2 * p):
                    pairs.append((i + j, i + j + k))
        k //= 2
    return pairs


_sort_run = _in_registers([pair for p in (1, 2, 4, 8) for pair in _odd_even(p)])
_merge_run = _in_registers([(i, i + k) for k in (8, 4, 2, 1) for i in range(RUN) if i & k == 0])


@njit(**BARE)
def sort_lanes(block: Array, steps: Array) -> None:
    """Sort every column of `block`, float32 (a multiple of RUN, WIDE), in place.

    steps : from `sorting_steps`. No NaN may be in the block; rows beyond the samples hold infinities.
    """
    for first in range(0, block.shape[0], RUN):
        _sort_run(block, first * WIDE)
    merge_lanes(block, steps)


@njit(**BARE)
def merge_lanes(block: Array, steps: Array) -> None:
    """Take the steps, from `merging_steps` or `sorting_steps`, in a block as of `sort_lanes`."""
    for k in range(steps.shape[0]):
        one = steps[k, 0] * WIDE
        two = steps[k, 1] * WIDE
        if two < 0:
            _merge_run(block, one)
            continue
        x = load(block, one)
        y = load(block, two)
        store(block, one, lower(x, y))
        store(block, two, upper(x, y))


def empty_block(rows: int) -> Array:
    """An array float32 (rows, WIDE) that begins with a cache line."""
    room = np.empty(rows * WIDE + LINE // 4, np.float32)
    skip = (-room.ctypes.data % LINE) // 4
    return room[skip : skip + rows * WIDE].reshape(rows, WIDE)
