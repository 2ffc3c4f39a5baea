"""Sums along a whole row, for the mean of samples that nobody judges.

Nothing has to be sorted, so that a pixel's samples need not be at hand together. A few frames at a
time are read along the row, which is how memory is read fastest; the sums wait in the cache. Flags
are read first: where there are any, single samples matter, and `samples.gather` has its turn.
"""

from __future__ import annotations

from numba import njit

from coldframe.frame import Array
from coldframe.loops import BARE
from coldframe_steps.kernels.samples import (
    NO_FLAG,
    STRIP,
    Samples,
    added,
    matched_lanes,
)
from coldframe_steps.kernels.simd import (
    EVERY,
    WIDE,
    f32,
    f64,
    lanes_of,
    load,
    prefetch,
    store,
    u8,
    widened,
)
from coldframe_steps.kernels.workspace import Row

TOGETHER = 10
"""Frames that are read at once. With many more, the processor loses sight of each being read in
order; with fewer, sums are fetched more often."""

AHEAD = 1024
"""Pixels between what is added and what is asked for: a page of memory, at whose end the processor
stops looking ahead on its own."""


@njit(**BARE)
def sum_row(samples: Samples, y: int, even: bool, matched: bool, row: Row) -> None:
    """Find the strips of row y that are clean, and write the sums of their samples.

    even, matched : see `workspace.Plan`. Matching a frame that need not be changes no sample.
    """
    data, flags, frames, match = samples.data, samples.flags, samples.frames, samples.match
    weights, height, width, n = samples.weights, samples.height, samples.width, frames.size
    clean, bits, pivots, sums = row.clean, row.bits, row.pivots, row.sums
    other = clean.size * STRIP
    for begin in range(0, n, TOGETHER):
        for k in range(clean.size):
            seen, x = u8(NO_FLAG), min(k * STRIP, width - STRIP)
            if begin > 0:
                seen = load(bits, k * WIDE)
            for j in range(begin, min(begin + TOGETHER, n)):
                place = (frames[j] * height + y) * width + x
                prefetch(flags, place + AHEAD)
                seen = seen | load(flags, place) | load(flags, place + WIDE)
                seen = seen | load(flags, place + 2 * WIDE) | load(flags, place + 3 * WIDE)
            store(bits, k * WIDE, seen)
    for k in range(clean.size):
        clean[k] = lanes_of(load(bits, k * WIDE) == u8(NO_FLAG)) == EVERY
    for begin in range(0, n, TOGETHER):
        for k in range(clean.size):
            for m in range(0, STRIP if clean[k] else 0, 2 * WIDE):
                x, slot = min(k * STRIP, width - STRIP) + m, k * STRIP + m
                p0, p1 = f64(0.0), f64(0.0)
                a0, a1 = f64(0.0), f64(0.0)
                b0, b1 = f64(0.0), f64(0.0)
                if begin > 0:
                    p0, p1 = widened(pivots, slot), widened(pivots, slot + WIDE)
                    a0, a1 = load(sums, slot), load(sums, slot + WIDE)
                    b0, b1 = load(sums, other + slot), load(sums, other + slot + WIDE)
                for j in range(begin, min(begin + TOGETHER, n)):
                    place = (frames[j] * height + y) * width + x
                    prefetch(data, place + AHEAD)
                    prefetch(data, place + AHEAD + WIDE)
                    v0, v1 = widened(data, place), widened(data, place + WIDE)
                    if matched:
                        offset = match[j, 1] + match[j, 2] * (samples.y0 + y)
                        v0 = f64(matched_lanes(v0, match[j, 0], offset, match[j, 3], x))
                        v1 = f64(matched_lanes(v1, match[j, 0], offset, match[j, 3], x + WIDE))
                    if j == 0:
                        p0, p1 = v0, v1
                        store(pivots, slot, f32(v0))
                        store(pivots, slot + WIDE, f32(v1))
                    a0, b0 = added(v0, p0, weights[j], even, a0, b0)
                    a1, b1 = added(v1, p1, weights[j], even, a1, b1)
                store(sums, slot, a0)
                store(sums, slot + WIDE, a1)
                store(sums, other + slot, b0)
                store(sums, other + slot + WIDE, b1)


@njit(**BARE)
def recall(row: Row, begin: int, strip: Array, sums: Array) -> None:
    """Do as `samples.gather`, for the clean strip that `begin` stands for; of the samples, write only
    the first frame's."""
    for k in range(0, STRIP, WIDE):
        store(strip, k, load(row.pivots, begin + k))
        store(sums, k, load(row.sums, begin + k))
        store(sums, STRIP + k, load(row.sums, row.sums.shape[1] + begin + k))
