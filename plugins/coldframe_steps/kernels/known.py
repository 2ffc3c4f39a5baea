"""Judges samples by the noise that their frames are known to have: for stacks of few frames.

Few samples tell little of their own scatter. One of two, or of three, may be as far off as it likes
and still lie within any multiple of their own sigma; against a sigma known beforehand two are enough.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from coldframe.frame import Array, Flag
from coldframe.loops import BARE, ENTRY
from coldframe_steps.kernels.samples import HUGE, SKIP

TRANSIENT = np.uint8(Flag.TRANSIENT)


class Frames(NamedTuple):
    """How a few frames' samples are judged; all float64.

    match : (n, 4), see `stack.reduce_tile`. variance : (n,), ADU^2, of a matched sample of sky.
    slope : (n,), ADU, what that rises by for each ADU above `sky`. median_factor : (n + 1,), see
    `stack.median_variance_factor`. low, high : limits in sigma. share, dull : of the contrast
    within 3 x 3 pixels, less `dull` (ADU), as one more sigma, see `options.Softening`.
    """

    match: Array
    variance: Array
    slope: Array
    median_factor: Array
    sky: float
    low: float
    high: float
    share: float
    dull: float


@njit(**BARE)
def _sorted(
    data: Array, flags: Array, frames: Frames, y: int, x: int, y0: int, values: Array, order: Array
) -> int:
    """Write a pixel's usable samples, rising, and the frame of each; how many there are."""
    match = frames.match
    m = 0
    for j in range(data.shape[0]):
        raw = data[j, y, x]
        if (flags[j, y, x] & SKIP) != 0 or not abs(raw) <= HUGE:
            continue
        level = match[j, 1] + match[j, 2] * (y + y0) + match[j, 3] * x
        value = raw * match[j, 0] - level
        k = m
        while k > 0 and values[k - 1] > value:
            values[k], order[k] = values[k - 1], order[k - 1]
            k -= 1
        values[k], order[k] = value, j
        m += 1
    return m


@njit(**BARE)
def _sigma(frames: Frames, order: Array, one: int, a: int, b: int, at: float, more: float) -> float:
    """Of the difference between sample `one` and the median of a to b, which is `at`."""
    variance, slope = frames.variance, frames.slope
    signal = max(at - frames.sky, 0.0)
    rest = 0.0
    for k in range(a, b):
        rest += variance[order[k]] + slope[order[k]] * signal + more
    own = variance[order[one]] + slope[order[one]] * signal + more
    return np.sqrt(own + rest * frames.median_factor[b - a] / (b - a) ** 2)


@njit(**BARE)
def _kept(frames: Frames, values: Array, order: Array, m: int, more: float) -> tuple[int, int]:
    """The run a to b of a pixel's m sorted samples to keep.

    The highest is held against the median of the others, and so on with the next. Of two that
    differ it is the higher that goes: light is added by trails and cosmic rays, hardly ever taken.
    What is too low goes only where two others agree that it is.

    more : ADU^2, added to every sample's variance.
    """
    a, b = 0, m
    while b - a >= 2:
        at = values[a + (b - a - 1) // 2]  # of an even number, the upper middle one
        limit = frames.high * _sigma(frames, order, b - 1, a, b - 1, at, more)
        if values[b - 1] - at <= limit:
            break
        b -= 1
    while b - a >= 3:
        at = values[a + 1 + (b - a - 2) // 2]
        limit = frames.low * _sigma(frames, order, a, a + 1, b, at, more)
        if at - values[a] <= limit:
            break
        a += 1
    return a, b


@njit(**BARE)
def _steep(
    data: Array, flags: Array, frames: Frames, y: int, x: int, y0: int, values: Array, order: Array
) -> float:
    """Contrast of the lower median within 3 x 3 pixels, less what noise makes; ADU."""
    least, most = np.inf, -np.inf
    for j in range(max(0, y - 1), min(data.shape[1], y + 2)):
        for i in range(max(0, x - 1), min(data.shape[2], x + 2)):
            m = _sorted(data, flags, frames, j, i, y0, values, order)
            if m > 0:  # the lower of two: an outlier among them makes nothing steep
                middle = values[(m - 1) // 2]
                least, most = min(least, middle), max(most, middle)
    return max(most - least - frames.dull, 0.0)


@njit(**ENTRY)
def judge_known(
    data: Array,
    flags: Array,
    frames: Frames,
    y0: int,
    marked: Array,
    low: Array,
    high: Array,
    hot: Array,
    rows: Array,
    values: Array,
    order: Array,
) -> None:
    """Mark the samples of a tile that are too far from the others of their pixel.

    data, flags : float32 and uint8 (n, h, w); n at most 64. y0 : see `stack.reduce_tile`.
    marked : uint8 (n, h, w), a copy of the flags; samples that go get TRANSIENT there.
    low, high : uint16 (h, w), zeros on entry; how many of a pixel's go.
    hot : uint64 (h, w), zeros on entry; bit j where frame j's sample is too high.
    rows : float32 (2, w), values : float64 (n,) and order : int64 (n,), to work in.
    """
    n, height, width = data.shape
    match, variance = frames.match, frames.variance
    quiet = variance[0]
    for j in range(1, n):
        quiet = min(quiet, variance[j])
    # Samples that lie within this are surely all kept: most pixels need no closer look.
    span = np.float32(min(frames.low, frames.high) * np.sqrt(quiet) * (1 - 1e-5))
    lowest, highest = rows[0], rows[1]
    for y in range(height):
        for j in range(n):
            scale, slope = match[j, 0], match[j, 3]
            level = match[j, 1] + match[j, 2] * (y + y0)
            for x in range(width):
                value = np.float32(data[j, y, x] * scale - (level + slope * x))
                if j == 0:
                    lowest[x], highest[x] = value, value
                else:
                    lowest[x] = min(lowest[x], value)
                    highest[x] = max(highest[x], value)
        for x in range(width):
            if highest[x] - lowest[x] <= span:  # not so with NaN
                continue
            m = _sorted(data, flags, frames, y, x, y0, values, order)
            a, b = _kept(frames, values, order, m, 0.0)
            if b - a == m:
                continue
            if frames.share > 0:
                steep = frames.share * _steep(data, flags, frames, y, x, y0, values, order)
                m = _sorted(data, flags, frames, y, x, y0, values, order)
                a, b = _kept(frames, values, order, m, steep * steep)
            low[y, x], high[y, x] = a, m - b
            for k in range(a):
                marked[order[k], y, x] |= TRANSIENT
            for k in range(b, m):
                marked[order[k], y, x] |= TRANSIENT
                hot[y, x] |= np.uint64(1) << np.uint64(order[k])


@njit(**ENTRY)
def mark_grown(flags: Array, grown: Array, marked: Array, high: Array) -> None:
    """Mark the samples beside trails as well, unless none of the pixel's would be left.

    grown : uint64 (h, w), bits as in `judge_known`. The others : see there.
    """
    n, height, width = flags.shape
    for y in range(height):
        for x in range(width):
            bits = grown[y, x]
            if bits == 0:
                continue
            left = 0
            for j in range(n):
                out = (bits >> np.uint64(j)) & np.uint64(1)
                left += (out == 0) and (marked[j, y, x] & SKIP) == 0
            if left == 0:
                continue
            for j in range(n):
                out = (bits >> np.uint64(j)) & np.uint64(1)
                if out != 0 and (marked[j, y, x] & SKIP) == 0:
                    marked[j, y, x] |= TRANSIENT
                    high[y, x] += 1
