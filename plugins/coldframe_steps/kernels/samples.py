"""What the stacking kernels pass to each other: the samples of a tile, and what comes of them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from coldframe.frame import UNUSABLE, Array
from coldframe_steps.kernels.options import BARE
from coldframe_steps.kernels.simd import (
    EVERY,
    WIDE,
    f32,
    f64,
    lanes_of,
    load,
    ramp,
    size,
    store,
    u8,
    where,
)

SKIP = np.uint8(UNUSABLE)
NO_FLAG = np.uint8(0)
FAR = np.float32(np.inf)
HUGE = np.float32(np.finfo(np.float32).max)


class Samples(NamedTuple):
    """Every sample of a tile, and how to use those of each frame.

    data, flags : float32 and uint8 (f, h, w).
    frames : int64 (n,), the frames that take part: those of some weight. Of these only:
    match : float64 (n, 4): scale, offset (ADU), slopes in y and x (ADU/px), see `matched`.
    weights : float64 (n,). noise : float64 (n,), weight x variance of a matched sample (ADU^2).
    y0 : row of the full frame that row 0 is.

    Compiled functions take what they need out of this and its like before any loop: taking an
    array out of a tuple counts references to it, which costs more than using it.
    """

    data: Array
    flags: Array
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
        mean, variance, share = (np.empty(size, np.float32) for _ in range(3))
        kept, below, above = (np.empty(size, np.uint16) for _ in range(3))
        marks = np.empty(size, np.uint8)
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
def gather(
    samples: Samples, y: int, x0: int, width: int, raw: Array, seen: Array, again: Array
) -> None:
    """Matched samples of all frames for `width` pixels of row y from column x0.

    raw : float32 (n, strip), written; FAR where one is not usable. seen : uint8 (strip,), written:
    any flag of these samples. again : uint8 (strip,), written: flags that more than one of them
    carries; of a single frame, its own.
    """
    data, flags, frames, match = samples.data, samples.flags, samples.frames, samples.match
    height, wide = data.shape[1:]
    strip = raw.shape[1]
    whole = width - width % WIDE
    seen[:width] = 0
    again[:width] = 0
    for j in range(frames.size):
        scale = match[j, 0]
        offset = match[j, 1] + match[j, 2] * (samples.y0 + y)
        slope = match[j, 3]
        plain = (scale == 1.0) & (offset == 0.0) & (slope == 0.0)
        place = (frames[j] * height + y) * wide + x0
        bits = u8(NO_FLAG)
        for k in range(0, whole, WIDE):
            value = load(data, place + k)
            if not plain:
                x = f64(x0 + k) + ramp()
                value = f32(f64(value) * f64(scale) - (f64(offset) + f64(slope) * x))
            store(raw, j * strip + k, where(size(value) <= f32(HUGE), value, f32(FAR)))
            bits = bits | load(flags, place + k)
        if lanes_of(bits == u8(NO_FLAG)) != EVERY:
            for k in range(0, whole, WIDE):
                bits = load(flags, place + k)
                good = (bits & u8(SKIP)) == u8(NO_FLAG)
                store(raw, j * strip + k, where(good, load(raw, j * strip + k), f32(FAR)))
                before = load(seen, k)
                store(again, k, load(again, k) | (before & bits))
                store(seen, k, before | bits)
        for k in range(whole, width):
            one = matched(data[frames[j], y, x0 + k], scale, offset, slope, x0 + k)
            flag = flags[frames[j], y, x0 + k]
            raw[j, k] = one if usable(one, flag) else FAR
            again[k] |= seen[k] & flag
            seen[k] |= flag
    if frames.size == 1:
        for k in range(width):
            again[k] = seen[k]
