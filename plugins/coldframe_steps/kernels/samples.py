"""What the stacking kernels pass to each other: the samples of a tile, and what comes of them."""

from __future__ import annotations

from typing import Any, NamedTuple, TypeAlias

import numpy as np
from numba import njit

from coldframe.frame import UNUSABLE, Array
from coldframe.loops import BARE, WITHIN
from coldframe_steps.kernels.simd import (
    EVERY,
    WIDE,
    f32,
    f64,
    lanes_of,
    load,
    prefetch,
    ramp,
    store,
    u8,
)

SKIP = np.uint8(UNUSABLE)
NO_FLAG = np.uint8(0)
FAR = np.float32(np.inf)
HUGE = np.float32(np.finfo(np.float32).max)

STRIP = 4 * WIDE
"""Pixels of a row that are read from each frame in turn: whole cache lines of data and of flags, and
so few that they stay at hand and their sums in registers. With fewer, changing from frame to frame,
each in a page of its own, would cost more than reading."""

PITCH = STRIP + WIDE
"""Floats from one frame's strip to the next. Were it a power of 2, all frames' samples of a pixel
would compete for the same few places of the cache."""

AHEAD = 512
"""Pixels between what is worked on and what is asked for."""

Lanes: TypeAlias = Any
"""A vector or mask of `simd`, that only compiled functions know."""


class Samples(NamedTuple):
    """Every sample of a tile, and how to use those of each frame.

    data, flags : float32 and uint8 (f h w,), frame after frame, row after row.
    height, width : h and w.
    frames : int64 (n,), the frames that take part: those of some weight. Of these only:
    match : float64 (n, 4): scale, offset (ADU), slopes in y and x (ADU/px), see `matched`.
    weights : float64 (n,). noise : float64 (n,), weight x variance of a matched sample (ADU^2).
    y0 : row of the full frame that row 0 is.

    Compiled functions take what they need out of this and its like before any loop: taking an
    array out of a tuple counts references to it, which costs more than using it.
    """

    data: Array
    flags: Array
    height: int
    width: int
    frames: Array
    match: Array
    weights: Array
    noise: Array
    y0: int


class Planes(NamedTuple):
    """What is known of every pixel of the stack, all (h w,), row after row.

    mean (ADU), variance (ADU^2), share (weight kept over all weight) : float32.
    kept, below, above : uint16, samples kept, and rejected low and high. marks : uint8 flags.
    median : float32, of the kept samples; (0,) where nobody asks.
    hot : uint64 (words, h w), bit j % 64 of word j // 64 where the j-th of the frames that take
    part was rejected high; (0, h w) where nobody asks.
    """

    mean: Array
    variance: Array
    share: Array
    kept: Array
    below: Array
    above: Array
    marks: Array
    median: Array
    hot: Array

    @classmethod
    def empty(cls, size: int, median: bool, words: int) -> Planes:
        """Planes to be written."""
        # One block of memory: a large one comes in large pages, in a fraction of the time.
        block = np.empty(19 * size, np.uint8)
        mean, variance, share = block[: 12 * size].view(np.float32).reshape(3, size)
        kept, below, above = block[12 * size : 18 * size].view(np.uint16).reshape(3, size)
        marks = block[18 * size :]
        middle = np.empty(size if median else 0, np.float32)
        hot = np.zeros((words, size), np.uint64)
        return cls(mean, variance, share, kept, below, above, marks, middle, hot)


@njit(**BARE)
def matched(value: float, scale: float, offset: float, slope: float, x: int) -> np.float32:
    """A sample brought to the common level: value x scale - (offset + slope x), in float32."""
    return np.float32(np.float64(value) * scale - (offset + slope * np.float64(x)))


@njit(**BARE)
def usable(value: np.float32, bits: int) -> bool:
    """No UNUSABLE flag, not infinite, not NaN."""
    return ((bits & SKIP) == 0) & (abs(value) <= HUGE)


@njit(**BARE)
def matched_lanes(value: Lanes, scale: float, offset: float, slope: float, x: int) -> Lanes:
    """As `matched`, of WIDE samples (f64) from column x on."""
    place = f64(x) + ramp()
    return f32(value * f64(scale) - (f64(offset) + f64(slope) * place))


@njit(**BARE)
def added(
    value: Lanes, pivot: Lanes, weight: float, even: bool, first: Lanes, second: Lanes
) -> tuple[Lanes, Lanes]:
    """Sums with WIDE more samples in them; see `gather`. All are f64."""
    away = value - pivot
    if even:
        return first + away, second + away * away
    share = f64(weight) * away
    return first + share, second + share * away


@njit(**WITHIN)
def gather(
    samples: Samples, y: int, x: int, even: bool, soon: bool, strip: Array, sums: Array
) -> bool:
    """Matched samples of all frames for STRIP pixels of row y from column x, whatever their flags.

    even : whether all weights are 1. soon : whether to ask for what comes AHEAD.
    strip : float32 (n, PITCH), written. sums : float64 (2, STRIP), written: of w d and w d^2, with
    d the deviation from the first frame's sample. Returns whether any of the samples has a flag.
    """
    data, flags, frames, match = samples.data, samples.flags, samples.frames, samples.match
    weights, zero = samples.weights, f64(0.0)
    bits = u8(NO_FLAG)
    p0, p1, p2, p3 = zero, zero, zero, zero
    a0, a1, a2, a3 = zero, zero, zero, zero
    b0, b1, b2, b3 = zero, zero, zero, zero
    for j in range(frames.size):
        place = (frames[j] * samples.height + y) * samples.width + x
        if soon:
            prefetch_line(data, flags, place + AHEAD)
        v0 = load(data, place)
        v1 = load(data, place + WIDE)
        v2 = load(data, place + 2 * WIDE)
        v3 = load(data, place + 3 * WIDE)
        bits = bits | load(flags, place) | load(flags, place + WIDE)
        bits = bits | load(flags, place + 2 * WIDE) | load(flags, place + 3 * WIDE)
        scale, slope = match[j, 0], match[j, 3]
        offset = match[j, 1] + match[j, 2] * (samples.y0 + y)
        if (scale != 1.0) | (offset != 0.0) | (slope != 0.0):
            v0 = matched_lanes(f64(v0), scale, offset, slope, x)
            v1 = matched_lanes(f64(v1), scale, offset, slope, x + WIDE)
            v2 = matched_lanes(f64(v2), scale, offset, slope, x + 2 * WIDE)
            v3 = matched_lanes(f64(v3), scale, offset, slope, x + 3 * WIDE)
        into = j * PITCH
        store(strip, into, v0)
        store(strip, into + WIDE, v1)
        store(strip, into + 2 * WIDE, v2)
        store(strip, into + 3 * WIDE, v3)
        if j == 0:
            p0, p1, p2, p3 = f64(v0), f64(v1), f64(v2), f64(v3)
        a0, b0 = added(f64(v0), p0, weights[j], even, a0, b0)
        a1, b1 = added(f64(v1), p1, weights[j], even, a1, b1)
        a2, b2 = added(f64(v2), p2, weights[j], even, a2, b2)
        a3, b3 = added(f64(v3), p3, weights[j], even, a3, b3)
    store(sums, 0, a0)
    store(sums, WIDE, a1)
    store(sums, 2 * WIDE, a2)
    store(sums, 3 * WIDE, a3)
    store(sums, STRIP, b0)
    store(sums, STRIP + WIDE, b1)
    store(sums, STRIP + 2 * WIDE, b2)
    store(sums, STRIP + 3 * WIDE, b3)
    return lanes_of(bits == u8(NO_FLAG)) != EVERY


@njit(**BARE)
def gather_one(samples: Samples, y: int, x: int, strip: Array) -> None:
    """Write the matched samples of one pixel to the first column of the strip."""
    data, frames, match = samples.data, samples.frames, samples.match
    for j in range(frames.size):
        offset = match[j, 1] + match[j, 2] * (samples.y0 + y)
        value = data[(frames[j] * samples.height + y) * samples.width + x]
        strip[j, 0] = matched(value, match[j, 0], offset, match[j, 3], x)


@njit(**BARE)
def prefetch_line(data: Array, flags: Array, place: int) -> None:
    """Ask for STRIP samples of a frame and for their flags."""
    for k in range(0, STRIP, WIDE):
        prefetch(data, place + k)
    prefetch(flags, place)


@njit(**BARE)
def flags_of(samples: Samples, place: int) -> tuple[Lanes, Lanes]:
    """Any flags that samples of WIDE pixels carry, and those that more than one does; uint8.

    Of a single frame, its own.
    """
    flags, frames = samples.flags, samples.frames
    size = samples.height * samples.width
    seen, again = u8(NO_FLAG), u8(NO_FLAG)
    for j in range(frames.size):
        bits = load(flags, frames[j] * size + place)
        again = again | (seen & bits)
        seen = seen | bits
    if frames.size == 1:
        again = seen
    return seen, again


@njit(**BARE)
def majority(samples: Samples, place: int, among: int) -> int:
    """Those of the flags `among` that more than half of a pixel's samples carry."""
    flags, frames = samples.flags, samples.frames
    size = samples.height * samples.width
    mark = 0
    for bit in range(8):
        if (among >> bit) & 1 != 0:
            count = 0
            for j in range(frames.size):
                count += (flags[frames[j] * size + place] >> bit) & 1
            if 2 * count > frames.size:
                mark |= 1 << bit
    return mark
