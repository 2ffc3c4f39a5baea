"""The mean of the samples within the limits, its variance, and the counts."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from coldframe.frame import Array, Flag
from coldframe_steps.kernels.network import LANES
from coldframe_steps.kernels.samples import Limits, Samples, level, matched, usable

NO_DATA = np.uint8(Flag.NO_DATA)


class Planes(NamedTuple):
    """What is known of every pixel of the stack, all (h, w).

    mean (ADU), variance (ADU^2), share (weight kept over all weight) : float32.
    kept, below, above : uint16, samples kept, and rejected low and high. marks : uint8 flags.
    """

    mean: Array
    variance: Array
    share: Array
    kept: Array
    below: Array
    above: Array
    marks: Array

    @classmethod
    def empty(cls, shape: tuple[int, int]) -> Planes:
        """Planes to be written."""
        mean, variance, share = (np.empty(shape, np.float32) for _ in range(3))
        kept, below, above = (np.empty(shape, np.uint16) for _ in range(3))
        marks = np.empty(shape, np.uint8)
        return cls(mean, variance, share, kept, below, above, marks)


@njit(cache=True, nogil=True)
def mean_variance(
    total: float, spread: float, expected: float, weighted: float, samples: int
) -> float:
    """Variance of a weighted mean, from the scatter of its own samples.

    With weights w and variances known up to a common factor, c r: E[sum w (x - mean)^2] =
    c (sum w r - sum w^2 r / sum w), which gives c, and the mean's variance is
    c sum w^2 r / (sum w)^2. For equal weights this is the textbook s^2 / k, with k - 1 degrees of
    freedom. A single sample tells nothing of its scatter: c is 1 then.

    total : sum w. spread : sum w (x - mean)^2. expected : sum w r. weighted : sum w^2 r.
    """
    known = expected - weighted / total
    if samples < 2 or known <= 0.0:
        return weighted / (total * total)
    return spread / known * weighted / (total * total)


@njit(cache=True, nogil=True)
def _winsorised_part(total: float, below: float, above: float, low: float, high: float) -> float:
    """What rejected samples, drawn in to the limits, add to the sum of squared deviations.

    total, below, above : weights kept, rejected low and high. low, high : limits less the mean.
    """
    pull = (below * low + above * high) / (total + below + above)
    return below * low * low + above * high * high - (total + below + above) * pull * pull


@njit(cache=True, nogil=True)
def _lane_sums(
    samples: Samples,
    limits: Limits,
    grown: Array,
    y: int,
    x0: int,
    first: Array,
    second: Array,
    inside: Array,
    seen: Array,
) -> None:
    """Weighted sums of the deviations of LANES pixels from their medians, and of their squares.

    inside : samples within the limits. seen : any flag of these, or any sample in a grown trail.
    """
    lanes = min(LANES, samples.data.shape[2] - x0)
    first[:] = 0.0
    second[:] = 0.0
    inside[:] = 0
    seen[:] = 0
    low = limits.low[y, x0 : x0 + lanes]
    high = limits.high[y, x0 : x0 + lanes]
    median = limits.median[y, x0 : x0 + lanes]
    for f in range(samples.data.shape[0]):
        weight = samples.weights[f]
        if weight <= 0.0:
            continue
        values = samples.data[f, y, x0 : x0 + lanes]
        bits = samples.flags[f, y, x0 : x0 + lanes]
        scale, offset, slope = level(samples.match[f], samples.y0 + y)
        for lane in range(lanes):
            value = matched(values[lane], scale, offset, slope, x0 + lane)
            keep = usable(value, bits[lane]) & (value >= low[lane]) & (value <= high[lane])
            away = np.float64(value) - np.float64(median[lane]) if keep else 0.0
            first[lane] += weight * away
            second[lane] += weight * away * away
            inside[lane] += np.int32(keep)
        for lane in range(lanes):
            seen[lane] |= bits[lane]
        if grown.shape[0] > 0:
            marks = grown[f, y, x0 : x0 + lanes]
            for lane in range(lanes):
                seen[lane] |= marks[lane]


@njit(cache=True, nogil=True)
def _pixel(
    samples: Samples,
    limits: Limits,
    grown: Array,
    y: int,
    x: int,
    lane: int,
    sums: Array,
    tally: Array,
    bits: Array,
) -> None:
    """Sums over one pixel into column `lane`, with all that is rare: rejection, equal values, trails, flags."""
    sums[:, lane] = 0.0
    tally[:, lane] = 0
    bits[:, lane] = 0
    low = limits.low[y, x]
    high = limits.high[y, x]
    # Of equal values at a limit, the earliest frames' are the ones left out.
    spare_low = np.int64(limits.skip_low[y, x])
    spare_high = np.int64(limits.skip_high[y, x])
    for f in range(samples.data.shape[0]):
        weight = samples.weights[f]
        scale, offset, slope = level(samples.match[f], samples.y0 + y)
        value = matched(samples.data[f, y, x], scale, offset, slope, x)
        flags = samples.flags[f, y, x]
        if weight <= 0.0 or not usable(value, flags):
            continue
        if value < low or (value == low and spare_low > 0):
            spare_low -= np.int64(value == low)
            tally[1, lane] += 1
            continue
        if value > high or (value == high and spare_high > 0):
            spare_high -= np.int64(value == high)
            tally[2, lane] += 1
            continue
        if grown.shape[0] > 0 and grown[f, y, x] != 0:
            tally[2, lane] += 1
            continue
        tally[0, lane] += 1
        away = np.float64(value) - np.float64(limits.median[y, x])
        sums[0, lane] += weight
        sums[1, lane] += weight * away
        sums[2, lane] += weight * away * away
        sums[3, lane] += weight * samples.relative[f]
        sums[4, lane] += weight * weight * samples.relative[f]
        for k in range(8):
            bits[k, lane] += (flags >> k) & 1


@njit(cache=True, nogil=True)
def _write(
    planes: Planes,
    limits: Limits,
    y: int,
    x0: int,
    sums: Array,
    tally: Array,
    bits: Array,
    everything: float,
    trimmed: bool,
    median_factor: Array,
) -> None:
    """The planes at LANES pixels from their sums."""
    for lane in range(min(LANES, planes.mean.shape[1] - x0)):
        x = x0 + lane
        count = tally[0, lane]
        planes.kept[y, x] = count
        planes.below[y, x] = tally[1, lane]
        planes.above[y, x] = tally[2, lane]
        if count == 0:
            planes.mean[y, x] = 0.0
            planes.variance[y, x] = 0.0
            planes.share[y, x] = 0.0
            planes.marks[y, x] = NO_DATA
            continue
        total = sums[0, lane]
        shift = sums[1, lane] / total
        mean = np.float64(limits.median[y, x]) + shift
        spread = max(sums[2, lane] - sums[1, lane] * shift, 0.0)
        if trimmed:
            below = total / count * tally[1, lane]
            above = total / count * tally[2, lane]
            low = np.float64(limits.low[y, x]) - mean
            high = np.float64(limits.high[y, x]) - mean
            spread += _winsorised_part(total, below, above, low, high)
        variance = mean_variance(total, spread, sums[3, lane], sums[4, lane], count)
        if median_factor.shape[0] > 0:
            mean = np.float64(limits.median[y, x])
            variance *= median_factor[count]
        planes.mean[y, x] = mean
        planes.variance[y, x] = variance
        planes.share[y, x] = total / everything
        mark = 0
        for k in range(8):
            if 2 * bits[k, lane] > count:
                mark |= 1 << k
        planes.marks[y, x] = mark


@njit(cache=True, nogil=True)
def accumulate(
    samples: Samples,
    limits: Limits,
    grown: Array,
    trimmed: bool,
    median_factor: Array,
    planes: Planes,
) -> None:
    """Combine the samples that are kept, and write `planes`.

    Parameters
    ----------
    grown : uint8 (n, h, w), samples to leave out as high, or (0, 0, 0) for none. Where that would
        leave nothing, it is not heeded.
    trimmed : fixed numbers of samples were left out, so that the kept ones scatter far too little;
        the variance is then that of a trimmed mean, rejected samples counting as if drawn in to the
        limits (J. W. Tukey and D. H. McLaughlin 1963, Sankhya A 25, 331).
    median_factor : float64 (n + 1,), variance of the median over that of the mean, by samples; or
        (0,) to give the mean.

    Notes
    -----
    The variance is that of the kept samples. Where a rule rejects from clean data it is 5 to 10% too
    small: what is left scatters less than the whole did.

    `marks` are the flags that more than half of the kept samples carry, or NO_DATA with data 0.
    """
    n, height, width = samples.data.shape
    taking = 0
    whole = np.zeros(3, np.float64)
    for f in range(n):
        weight = samples.weights[f]
        if weight > 0.0:
            taking += 1
            whole[0] += weight
            whole[1] += weight * samples.relative[f]
            whole[2] += weight * weight * samples.relative[f]
    inside = np.empty(LANES, np.int32)
    seen = np.empty(LANES, np.uint8)
    sums = np.empty((5, LANES), np.float64)
    tally = np.empty((3, LANES), np.int64)
    bits = np.empty((8, LANES), np.int64)
    nothing = np.empty((0, 0, 0), np.uint8)
    for y in range(height):
        for x0 in range(0, width, LANES):
            sums[0] = whole[0]
            sums[3] = whole[1]
            sums[4] = whole[2]
            tally[:] = 0
            tally[0] = taking
            bits[:] = 0
            _lane_sums(samples, limits, grown, y, x0, sums[1], sums[2], inside, seen)
            for lane in range(min(LANES, width - x0)):
                x = x0 + lane
                equal = limits.skip_low[y, x] > 0 or limits.skip_high[y, x] > 0
                if inside[lane] == taking and seen[lane] == 0 and not equal:
                    continue
                _pixel(samples, limits, grown, y, x, lane, sums, tally, bits)
                if tally[0, lane] == 0 and grown.shape[0] > 0:
                    _pixel(samples, limits, nothing, y, x, lane, sums, tally, bits)
            _write(planes, limits, y, x0, sums, tally, bits, whole[0], trimmed, median_factor)
