"""Which of a pixel's samples are outliers: the rules, for WIDE pixels at once.

Every rule is a pure function of the pixels' usable samples, sorted (see `lanes`), and says which
run of them to keep, rows a to b without b, lane by lane. All values outside of the run are lower or
higher, so that the count of low and high rejections follows, and the order of the frames cannot
matter.

`extra` is a variance (ADU^2) added to that of the samples before anything is judged; 0 in general.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from coldframe.frame import Array
from coldframe.loops import BARE
from coldframe_steps.kernels.lanes import (
    MOST_TURNS,
    run_deviation,
    run_median,
    run_moments,
    run_robust,
    run_sums,
)
from coldframe_steps.kernels.options import ESD, MAD_CLIP, MIN_MAX, NONE, SIGMA_CLIP, WINSORISED
from coldframe_steps.kernels.samples import Lanes
from coldframe_steps.kernels.simd import (
    WIDE,
    f64,
    halved,
    i32,
    lanes_of,
    load,
    lower,
    pick,
    sqrt,
    take,
    upper,
    where,
)

WORN = 1e-5
"""Share of a sum of squares below which what is left after samples were taken off is summed anew."""


def esd_critical(n: int, alpha: float) -> Array:
    """Squared critical values of the generalised extreme studentised deviate test.

    Parameters
    ----------
    n : the largest sample. alpha : probability of finding any outlier where there is none.

    Returns
    -------
    float64 (n + 1,): lambda^2 for a test with k samples left, at place k; infinite for k < 3.

    Notes
    -----
    lambda_i = (n - i) t / sqrt((n - i - 1 + t^2) (n - i + 1)), where t is the quantile of
    Student's distribution at 1 - alpha / (2 (n - i + 1)) with n - i - 1 degrees of freedom:
    it depends on k = n - i + 1 alone.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.17.3; B. Rosner (1983),
    Technometrics 25, 165, doi:10.1080/00401706.1983.10487848.
    """
    from scipy.special import stdtrit

    out = np.full(n + 1, np.inf)
    k = np.arange(3, n + 1, dtype=np.float64)
    t = stdtrit(k - 2, 1 - alpha / (2 * k))
    out[3:] = (k - 1) ** 2 * t**2 / ((k - 2 + t**2) * k)
    return out


@njit(**BARE)
def min_max(m: Lanes, lowest: int, highest: int) -> tuple[Lanes, Lanes]:
    """Leave out fixed numbers of the lowest and highest; fewer where too few samples are left."""
    room = halved(m - i32(1))
    few = i32(lowest + highest) >= m
    low = where(few, lower(i32(lowest), room), i32(lowest))
    high = where(few, lower(i32(highest), room), i32(highest))
    return upper(low, i32(0)), m - upper(high, i32(0))


@njit(**BARE)
def clip(
    block: Array,
    n: int,
    m: Lanes,
    rule: int,
    options: Array,
    extra: Lanes,
    pairs: Array,
    away: Array,
) -> tuple[Lanes, Lanes]:
    """Sigma clip, winsorised sigma clip and median absolute deviation clip.

    In turn, centre and sigma of the samples that are left are taken and samples beyond
    centre - low sigma and centre + high sigma go; until none goes, or `iterations` times (0: no
    limit). The last limits decide about all samples. Centre is the median, or the winsorised mean;
    sigma the standard deviation (n), the winsorised one, or 1.4826 MAD.

    m : i32, usable samples. options : float64 (3,): low, high, iterations. extra : f64.
    pairs, away : see `lanes.run_deviation`.

    What goes lies at the ends of the sorted run, so that it is taken off there one by one, and off
    the sums that the standard deviation comes from.
    """
    zero, one, none = f64(0.0), i32(1), i32(0)
    a, b = none, m
    before_a, before_b = a, b
    below, above = zero, zero
    busy = m > none
    whole, first, second = zero, zero, zero
    pivot = zero
    if rule == SIGMA_CLIP:
        pivot = run_median(block, a, b)
        first, second = run_sums(block, n, a, b, pivot)
        whole = second
    turn = 0
    while lanes_of(busy) != 0:
        if rule == WINSORISED:
            centre, sigma, _ = run_robust(block, n, a, b, pairs, away, np.int64(MOST_TURNS))
        else:
            centre = run_median(block, a, b)
            if rule == MAD_CLIP:
                sigma = run_deviation(block, n, a, b, centre, pairs, away)
            else:
                count = f64(b - a)
                spread = second - first * first / count
                # Where little is left of what was summed: sum anew, lest digits go.
                worn = busy & (spread < f64(WORN) * whole)
                if lanes_of(worn) != 0:
                    pivot = where(worn, centre, pivot)
                    total, square = run_sums(block, n, a, b, pivot)
                    first = where(worn, total, first)
                    second = where(worn, square, second)
                    whole = where(worn, square, whole)
                    spread = where(worn, square - total * total / count, spread)
                sigma = sqrt(where(spread > zero, spread, zero) / count)
        sigma = where(extra > zero, sqrt(sigma * sigma + extra), sigma)
        below = where(busy, centre - f64(options[0]) * sigma, below)
        above = where(busy, centre + f64(options[1]) * sigma, above)
        before_a = where(busy, a, before_a)
        before_b = where(busy, b, before_b)
        while True:
            left = busy & (a < b)
            bottom = f64(take(block, where(left, a, none)))
            top = f64(take(block, where(left, b - one, none)))
            low = left & (bottom < below)
            high = left & (top > above)
            if lanes_of(low | high) == 0:
                break
            a = where(low, a + one, a)
            b = where(high, b - one, b)
            bottom = where(low, bottom - pivot, zero)
            top = where(high, top - pivot, zero)
            first = first - bottom - top
            second = second - bottom * bottom - top * top
        turn += 1
        empty = ~(a < b)
        busy = busy & (~empty) & ((before_a < a) | (b < before_b))
        a = where(empty, before_a, a)
        b = where(empty, before_b, b)
        if turn == int(options[2]):
            break
    start, stop = none, none
    for i in range(n):
        value = f64(load(block, i * WIDE))
        start = start + i32(value < below)
        stop = stop + i32(value <= above)
    start, stop = lower(start, m), lower(stop, m)
    found = start < stop
    return where(found, start, before_a), where(found, stop, before_b)


@njit(**BARE)
def extreme_deviates(
    block: Array, n: int, m: Lanes, fraction: float, critical: Array, extra: Lanes
) -> tuple[Lanes, Lanes]:
    """Generalised extreme studentised deviate test for up to fraction x m outliers.

    The sample farthest from the mean is taken away, fraction x m times. The outliers are those
    taken away up to the last time that (distance / standard deviation)^2 was above
    `critical[samples left]`, from `esd_critical`. Of two equally far the higher goes first.
    References: see `esd_critical`.
    """
    one = i32(1)
    a, b = i32(0), m
    first, last = a, b
    mean, square = run_moments(block, n, a, b)
    whole = square
    tests = i32(f64(fraction) * f64(m) + f64(1e-9))
    for turn in range(int(fraction * n + 1e-9)):
        count = b - a
        busy = (i32(turn) < tests) & (count > i32(2))
        if lanes_of(busy) == 0:
            break
        bottom = f64(take(block, a))
        ceiling = f64(take(block, where(busy, b - one, a)))
        top = ceiling - mean >= mean - bottom
        value = where(top, ceiling, bottom)
        distance = value - mean
        less = f64(count - one)
        limit = pick(critical, count) * (square / less + extra)
        outlier = busy & (distance * distance > limit)
        b = where(busy & top, b - one, b)
        a = where(busy & (~top), a + one, a)
        first = where(outlier, a, first)
        last = where(outlier, b, last)
        mean = where(busy, mean - distance / less, mean)
        square = where(busy, square - distance * (value - mean), square)
        # Where little is left of what was summed: sum anew, lest digits go.
        worn = busy & (square < f64(1e-3) * whole)
        if lanes_of(worn) != 0:
            new_mean, new_square = run_moments(block, n, a, b)
            mean = where(worn, new_mean, mean)
            square = where(worn, new_square, square)
            whole = where(worn, new_square, whole)
    return first, last


@njit(**BARE)
def keep_run(
    block: Array,
    n: int,
    m: Lanes,
    rule: int,
    options: Array,
    critical: Array,
    extra: Lanes,
    pairs: Array,
    away: Array,
) -> tuple[Lanes, Lanes]:
    """Judge WIDE pixels' m sorted samples by any rule: keep rows a to b; b > a where m > 0.

    n : rows of the block that are looked at; m <= n. options : float64 (3,): (lowest, highest, -)
    for MIN_MAX; (low, high, iterations) for the clips; (largest fraction of outliers, -, -) for
    ESD. critical : from `esd_critical`. extra : f64. pairs, away : see `lanes.run_deviation`.
    """
    if rule == NONE:
        return i32(0), m
    if rule == MIN_MAX:
        return min_max(m, int(options[0]), int(options[1]))
    if rule == ESD:
        return extreme_deviates(block, n, m, options[0], critical, extra)
    return clip(block, n, m, rule, options, extra, pairs, away)
