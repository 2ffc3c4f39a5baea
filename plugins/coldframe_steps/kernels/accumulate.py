"""The mean of the samples within limits, its variance, and the counts; WIDE pixels at once."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from coldframe.frame import Array, Flag
from coldframe.loops import BARE
from coldframe_steps.kernels.samples import FAR, Lanes, Planes
from coldframe_steps.kernels.simd import (
    WIDE,
    f32,
    f64,
    i32,
    i64,
    load,
    store,
    where,
)

NO_DATA = np.uint8(Flag.NO_DATA)


class Tally(NamedTuple):
    """What is kept of WIDE pixels' samples, and sums over that.

    limits : float32 (4, WIDE), low, high and median of the kept, and what deviations are taken from;
    those with low <= sample <= high are kept, and none where low > high.
    counts : int64 (5, WIDE), kept, rejected low and high, and how many were to be rejected low and
    high: where some are equal to a limit, these may be among them.
    sums : float64 (5, WIDE): w, w d, w d^2, w r and w^2 r, where w is the weight, d the deviation
    and r the variance expected.
    bits : int64 (8, WIDE), kept samples with each flag.
    """

    limits: Array
    counts: Array
    sums: Array
    bits: Array

    @classmethod
    def empty(cls) -> Tally:
        """To be written."""
        return cls(
            np.empty((4, WIDE), np.float32),
            np.empty((5, WIDE), np.int64),
            np.empty((5, WIDE)),
            np.zeros((8, WIDE), np.int64),
        )


LOW, HIGH, MEDIAN, PIVOT = range(4)
KEPT, BELOW, ABOVE, LESS, MORE = range(5)


@njit(**BARE)
def kept_sums(weights: Array, noises: Array, raw: Array, tally: Tally) -> tuple[Lanes, Lanes]:
    """Write the tally of the samples raw, float32 (n, WIDE), without flags.

    Returns how many were rejected low and high, i32.

    weights, noises : see `samples.Samples`.
    """
    limits, counts, sums = tally.limits, tally.counts, tally.sums
    zero = f64(0.0)
    low, high = load(limits, LOW * WIDE), load(limits, HIGH * WIDE)
    pivot = f64(load(limits, PIVOT * WIDE))
    total, first, second, expected, weighted = zero, zero, zero, zero, zero
    within, below, above = i32(0), i32(0), i32(0)
    for j in range(weights.size):
        weight = f64(weights[j])
        noise = f64(noises[j])
        value = load(raw, j * WIDE)
        under = value < low
        over = (value > high) & (value < f32(FAR))
        keep = (~under) & (value <= high)
        away = where(keep, f64(value) - pivot, zero)
        here = where(keep, weight, zero)
        total = total + here
        share = weight * away
        first = first + share
        second = second + share * away
        expected = expected + where(keep, noise, zero)
        weighted = weighted + noise * here
        within = within + i32(keep)
        below = below + i32(under)
        above = above + i32(over)
    store(sums, 0, total)
    store(sums, WIDE, first)
    store(sums, 2 * WIDE, second)
    store(sums, 3 * WIDE, expected)
    store(sums, 4 * WIDE, weighted)
    store(counts, KEPT * WIDE, i64(within))
    store(counts, BELOW * WIDE, i64(below))
    store(counts, ABOVE * WIDE, i64(above))
    return below, above


@njit(**BARE)
def kept_in_lane(
    weights: Array,
    noises: Array,
    raw: Array,
    flags: Array,
    gone: Array,
    lane: int,
    special: bool,
    heed: bool,
    tally: Tally,
) -> None:
    """As `kept_sums`, of one pixel, with what is rare: equal values at a limit, trails, flags.

    flags : uint8 (n, WIDE). gone : uint8 (n, WIDE), samples to leave out as high, or (0, WIDE);
    heed : whether to do so. special : whether flags and gone have been written for this pixel.
    """
    limits, counts, sums, bits = tally.limits, tally.counts, tally.sums, tally.bits
    for k in range(5):
        sums[k, lane] = 0.0
    for k in range(3):
        counts[k, lane] = 0
    for k in range(8):
        bits[k, lane] = 0
    low, high = limits[LOW, lane], limits[HIGH, lane]
    pivot = np.float64(limits[PIVOT, lane])
    # Of equal values at a limit, the earliest frames' are the ones left out.
    spare_low, spare_high = counts[LESS, lane], counts[MORE, lane]
    for j in range(weights.size):
        value = raw[j, lane]
        spare_low -= np.int64(value < low)
        spare_high -= np.int64((value > high) & (value < FAR))
    for j in range(weights.size):
        weight, noise = weights[j], noises[j]
        value = raw[j, lane]
        if value == FAR:
            continue
        if value < low or (value == low and spare_low > 0):
            spare_low -= np.int64(value == low)
            counts[BELOW, lane] += 1
            continue
        if value > high or (value == high and spare_high > 0):
            spare_high -= np.int64(value == high)
            counts[ABOVE, lane] += 1
            continue
        if special and heed and gone.shape[0] > 0 and gone[j, lane] != 0:
            counts[ABOVE, lane] += 1
            continue
        counts[KEPT, lane] += 1
        away = np.float64(value) - pivot
        sums[0, lane] += weight
        sums[1, lane] += weight * away
        sums[2, lane] += weight * away * away
        sums[3, lane] += noise
        sums[4, lane] += noise * weight
        if special and flags[j, lane] != 0:
            mark = flags[j, lane]
            for k in range(8):
                bits[k, lane] += (mark >> k) & 1


@njit(**BARE)
def _winsorised_part(total: Lanes, below: Lanes, above: Lanes, low: Lanes, high: Lanes) -> Lanes:
    """What rejected samples, drawn in to the limits, add to the sum of squared deviations.

    total, below, above : weights kept, rejected low and high. low, high : limits less the mean.
    """
    pull = (below * low + above * high) / (total + below + above)
    return below * low * low + above * high * high - (total + below + above) * pull * pull


@njit(**BARE)
def variance_terms(
    total: Lanes, expected: Lanes, weighted: Lanes, samples: Lanes
) -> tuple[Lanes, Lanes]:
    """What gives the variance of a weighted mean: the first x spread + the second; f64.

    With weights w and variances known up to a common factor, c r: E[sum w (x - mean)^2] =
    c (sum w r - sum w^2 r / sum w), which gives c, and the mean's variance is
    c sum w^2 r / (sum w)^2. For equal weights this is the textbook s^2 / k, with k - 1 degrees of
    freedom. A single sample tells nothing of its scatter: c is 1 then.

    total : sum w. spread : sum w (x - mean)^2. expected : sum w r. weighted : sum w^2 r.
    """
    zero, one = f64(0.0), f64(1.0)
    known = expected - weighted / total
    lone = (samples < f64(2.0)) | (known <= zero)
    base = weighted / (total * total)
    return where(lone, zero, base / where(lone, one, known)), where(lone, base, zero)


@njit(**BARE)
def finish(
    first: Lanes, second: Lanes, part: Lanes, factor: Lanes, alone: Lanes, pivot: Lanes
) -> tuple[Lanes, Lanes]:
    """Mean and variance from the sums of `Tally` about a pivot; all f64.

    part : 1 / sum w. factor, alone : from `variance_terms`.
    """
    shift = first * part
    spread = second - first * shift
    spread = where(spread > f64(0.0), spread, f64(0.0))
    return pivot + shift, factor * spread + alone


@njit(**BARE)
def write_lanes(
    tally: Tally,
    everything: float,
    trimmed: bool,
    median_factor: Array,
    places: Array,
    special: Array,
    count: int,
    planes: Planes,
) -> None:
    """The planes at `count` pixels from their tally, of which the sums become mean and variance.

    everything : sum of all weights. trimmed, median_factor : see `workspace.Plan`. places : int64
    (WIDE,), flat places in the planes. special : bool (WIDE,), of which pixels bits are known.
    """
    limits, counts, sums, bits = tally.limits, tally.counts, tally.sums, tally.bits
    kept = f64(load(counts, KEPT * WIDE))
    total = load(sums, 0)
    first = load(sums, WIDE)
    second = load(sums, 2 * WIDE)
    pivot = f64(load(limits, PIVOT * WIDE))
    if trimmed:
        below = total / kept * f64(load(counts, BELOW * WIDE))
        above = total / kept * f64(load(counts, ABOVE * WIDE))
        mean = pivot + first / total
        low = f64(load(limits, LOW * WIDE)) - mean
        high = f64(load(limits, HIGH * WIDE)) - mean
        second = second + _winsorised_part(total, below, above, low, high)
    expected, weighted = load(sums, 3 * WIDE), load(sums, 4 * WIDE)
    factors, alone = variance_terms(total, expected, weighted, kept)
    mean, variance = finish(first, second, f64(1.0) / total, factors, alone, pivot)
    store(sums, 0, total / f64(everything))
    store(sums, WIDE, mean)
    store(sums, 2 * WIDE, variance)
    as_mean, as_variance, share, marks = planes.mean, planes.variance, planes.share, planes.marks
    as_kept, as_below, as_above, as_median = planes.kept, planes.below, planes.above, planes.median
    for lane in range(count):
        place = places[lane]
        k = counts[KEPT, lane]
        as_kept[place] = k
        as_below[place] = counts[BELOW, lane]
        as_above[place] = counts[ABOVE, lane]
        if as_median.size > 0:
            as_median[place] = limits[MEDIAN, lane]
        some = k > 0
        factor = 1.0
        middle = sums[1, lane]
        if median_factor.size > 0:
            factor = median_factor[k]
            middle = np.float64(limits[MEDIAN, lane])
        as_mean[place] = middle if some else 0.0
        as_variance[place] = sums[2, lane] * factor if some else 0.0
        share[place] = sums[0, lane] if some else 0.0
        mark = np.uint8(0) if some else NO_DATA
        for bit in range(8 if special[lane] else 0):
            if 2 * bits[bit, lane] > k:
                mark |= np.uint8(1 << bit)
        marks[place] = mark
