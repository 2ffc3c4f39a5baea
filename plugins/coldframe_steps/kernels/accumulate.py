"""The mean of the samples within the limits, its variance, and the counts."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from coldframe.frame import Array, Flag
from coldframe_steps.kernels.network import LANES
from coldframe_steps.kernels.options import INNER
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


@njit(**INNER)
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


@njit(**INNER)
def _winsorised_part(total: float, below: float, above: float, low: float, high: float) -> float:
    """What rejected samples, drawn in to the limits, add to the sum of squared deviations.

    total, below, above : weights kept, rejected low and high. low, high : limits less the mean.
    """
    pull = (below * low + above * high) / (total + below + above)
    return below * low * low + above * high * high - (total + below + above) * pull * pull


@njit(**INNER)
def _lane_sums(
    samples: Samples,
    limits: Limits,
    grown: Array,
    y: int,
    x0: int,
    sums: Array,
    tally: Array,
    seen: Array,
    hurt: Array,
) -> None:
    """Sums over LANES pixels of row y, of the samples within the limits.

    sums : float64 (5, LANES), written: w, w d, w d^2, w r and w^2 r, where d is the deviation from
    the median and r the relative variance. tally : int32 (3, LANES), written: samples within, below
    and above. seen : uint8 (LANES,), written: any flag of these. hurt : any sample in a grown trail.
    """
    lanes = min(LANES, samples.data.shape[2] - x0)
    total, first, second, expected, weighted = sums[0], sums[1], sums[2], sums[3], sums[4]
    within, below, above = tally[0], tally[1], tally[2]
    for lane in range(LANES):
        total[lane] = 0.0
        first[lane] = 0.0
        second[lane] = 0.0
        expected[lane] = 0.0
        weighted[lane] = 0.0
        within[lane] = 0
        below[lane] = 0
        above[lane] = 0
        seen[lane] = 0
        hurt[lane] = 0
    low = limits.low[y, x0 : x0 + lanes]
    high = limits.high[y, x0 : x0 + lanes]
    median = limits.median[y, x0 : x0 + lanes]
    for f in range(samples.data.shape[0]):
        weight = samples.weights[f]
        if weight <= 0.0:
            continue
        noise = weight * samples.relative[f]
        values = samples.data[f, y, x0 : x0 + lanes]
        bits = samples.flags[f, y, x0 : x0 + lanes]
        scale, offset, slope = level(samples.match[f], samples.y0 + y)
        for lane in range(lanes):
            value = matched(values[lane], scale, offset, slope, x0 + lane)
            good = usable(value, bits[lane])
            under = value < low[lane]
            over = value > high[lane]
            keep = good & (not under) & (not over)
            away = np.float64(value) - np.float64(median[lane]) if keep else 0.0
            here = weight if keep else 0.0
            total[lane] += here
            first[lane] += weight * away
            second[lane] += weight * away * away
            expected[lane] += noise if keep else 0.0
            weighted[lane] += noise * here
            within[lane] += np.int32(keep)
            below[lane] += np.int32(good & under)
            above[lane] += np.int32(good & over)
            seen[lane] |= bits[lane] if keep else np.uint8(0)
        if grown.shape[0] > 0:
            marks = grown[f, y, x0 : x0 + lanes]
            for lane in range(lanes):
                hurt[lane] |= marks[lane]


@njit(**INNER)
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
    """As `_lane_sums`, of one pixel, with what is rare: equal values at a limit, trails, flags."""
    for k in range(5):
        sums[k, lane] = 0.0
    for k in range(3):
        tally[k, lane] = 0
    for k in range(8):
        bits[k, lane] = 0
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
        if flags != 0:
            for k in range(8):
                bits[k, lane] += (flags >> k) & 1


@njit(**INNER)
def _write(
    planes: Planes,
    limits: Limits,
    y: int,
    x0: int,
    sums: Array,
    tally: Array,
    bits: Array,
    seen: Array,
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
        if seen[lane] != 0:
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
    height, width = planes.mean.shape
    everything = samples.weights.sum()
    sums = np.empty((5, LANES), np.float64)
    tally = np.empty((3, LANES), np.int32)
    seen = np.empty(LANES, np.uint8)
    hurt = np.empty(LANES, np.uint8)
    bits = np.empty((8, LANES), np.int32)
    nothing = np.empty((0, 0, 0), np.uint8)
    for y in range(height):
        for x0 in range(0, width, LANES):
            _lane_sums(samples, limits, grown, y, x0, sums, tally, seen, hurt)
            for lane in range(min(LANES, width - x0)):
                x = x0 + lane
                equal = limits.skip_low[y, x] > 0 or limits.skip_high[y, x] > 0
                if seen[lane] == 0 and hurt[lane] == 0 and not equal:
                    continue
                _pixel(samples, limits, grown, y, x, lane, sums, tally, bits)
                if tally[0, lane] == 0 and hurt[lane] != 0:
                    _pixel(samples, limits, nothing, y, x, lane, sums, tally, bits)
            _write(
                planes, limits, y, x0, sums, tally, bits, seen, everything, trimmed, median_factor
            )
