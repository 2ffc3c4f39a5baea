"""Statistics of many pixels' sorted samples at once: WIDE pixels, one to a lane.

A block is float32 (rows, WIDE): row i holds the i-th smallest sample of each pixel, and infinities
after the last. Runs are given by two vectors: rows a to b, without b, lane by lane. Sums are
float64 and go in rising order, so that the order of the frames cannot matter.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from coldframe.frame import Array
from coldframe.loops import BARE
from coldframe_steps.kernels.network import merge_lanes
from coldframe_steps.kernels.samples import FAR, Lanes
from coldframe_steps.kernels.simd import (
    WIDE,
    f32,
    f64,
    halved,
    i32,
    lanes_of,
    load,
    size,
    sqrt,
    store,
    take,
    where,
)

MAD_TO_SIGMA = 1.482602218505602
"""1 / quantile of the normal distribution at 3/4."""

MEAN_DEVIATION_TO_SIGMA = 1.2533141373155003
"""sqrt(pi / 2): standard deviation over mean absolute deviation of normal data."""

LEAPS, MOST_TURNS, STILL = 10, 100, 1e-5
"""Winsorised moments: turns that leap, turns in all, and sigmas that pass for standing still."""


@njit(**BARE)
def run_median(block: Array, a: Lanes, b: Lanes) -> Lanes:
    """Median of each run, f64; the mean of the middle two when their number is even.

    Of an empty run, whatever row a holds.
    """
    one = take(block, halved(a + b))
    other = take(block, where(b > a, halved(a + b - i32(1)), a))
    return f64(0.5) * (f64(one) + f64(other))


@njit(**BARE)
def run_moments(block: Array, n: int, a: Lanes, b: Lanes) -> tuple[Lanes, Lanes]:
    """Mean of each run and the sum of squared deviations from it, f64."""
    total = f64(0.0)
    for i in range(n):
        inside = (i32(i) >= a) & (i32(i) < b)
        total = total + where(inside, f64(load(block, i * WIDE)), f64(0.0))
    mean = total / f64(b - a)
    square = f64(0.0)
    for i in range(n):
        inside = (i32(i) >= a) & (i32(i) < b)
        away = where(inside, f64(load(block, i * WIDE)) - mean, f64(0.0))
        square = square + away * away
    return mean, square


@njit(**BARE)
def run_sums(block: Array, n: int, a: Lanes, b: Lanes, pivot: Lanes) -> tuple[Lanes, Lanes]:
    """Sum of each run's deviations from a pivot, and of their squares; f64."""
    total, square = f64(0.0), f64(0.0)
    for i in range(n):
        inside = (i32(i) >= a) & (i32(i) < b)
        away = where(inside, f64(load(block, i * WIDE)) - pivot, f64(0.0))
        total = total + away
        square = square + away * away
    return total, square


@njit(**BARE)
def run_deviation(
    block: Array, n: int, a: Lanes, b: Lanes, centre: Lanes, pairs: Array, away: Array
) -> Lanes:
    """Sigma of each run from the median absolute deviation about `centre`; f64.

    Where more than half of the samples are equal it is 0, and is taken from the mean absolute
    deviation: coarsely digitised data can have none while the rest still vary.

    pairs : from `network.merging_steps(n)`; with median_only if all runs are n long. away : scratch like the block; distances
    are rounded to float32.

    References
    ----------
    B. Iglewicz and D. C. Hoaglin (1993), How to Detect and Handle Outliers, ASQC.
    """
    for i in range(n):
        inside = (i32(i) >= a) & (i32(i) < b)
        distance = f32(size(f64(load(block, i * WIDE)) - centre))
        store(away, i * WIDE, where(inside, distance, f32(FAR)))
    # Distances of sorted values fall and then rise, also with infinities around the run.
    merge_lanes(away, pairs)
    count = b - a
    none = i32(0)
    sigma = f64(MAD_TO_SIGMA) * run_median(away, none, count)
    flat = (sigma == f64(0.0)) & (count > none)
    if lanes_of(flat) == 0:
        return sigma
    total = f64(0.0)
    for i in range(n):
        inside = (i32(i) >= a) & (i32(i) < b)
        distance = size(f64(load(block, i * WIDE)) - centre)
        total = total + where(inside, distance, f64(0.0))
    return where(flat, f64(MEAN_DEVIATION_TO_SIGMA) * total / f64(count), sigma)


@njit(**BARE)
def robust_step(
    total: Lanes,
    square: Lanes,
    inside: Lanes,
    under: Lanes,
    over: Lanes,
    shift: Lanes,
    sigma: Lanes,
    leap: bool,
) -> tuple[Lanes, Lanes]:
    """The next mean and sigma of Huber's winsorised moments; all f32.

    Parameters
    ----------
    total, square : sums, and sums of squares, of the `inside` samples within shift +- 1.5 sigma.
    under, over : how many samples lie beyond these limits.
    leap : solve for the mean and sigma that stand still while the same samples are within; else,
        and where there are none such, take the textbook's step.

    Notes
    -----
    With the samples beyond drawn in to mean -+ 1.5 sigma, and d = 1.5 (over - under), the two
    equations mean = sum / n and sigma^2 = 1.134^2 (sum of squares about it) / (n - 1) become
    mean = (total + d sigma) / inside and
    sigma^2 ((n - 1) / 1.134^2 - 1.5^2 (under + over) - d^2 / inside) = square - total^2 / inside.
    """
    zero, one = f32(0.0), f32(1.0)
    count = inside + under + over
    inside = where(inside > one, inside, one)
    lean = f32(1.5) * (over - under)
    free = (count - one) / f32(1.134 * 1.134) - f32(2.25) * (under + over) - lean * lean / inside
    jump = free > f32(0.05) * count if leap else free > free
    low = shift - f32(1.5) * sigma
    high = shift + f32(1.5) * sigma
    mean = (total + under * low + over * high) / count
    around = square + under * low * low + over * high * high - count * mean * mean
    around = f32(1.134 * 1.134) * where(around > zero, around, zero)
    rest = square - total * total / inside
    rest = where(rest > zero, rest, zero)
    new = sqrt(where(jump, rest, around) / where(jump, free, count - one))
    return where(jump, (total + lean * new) / inside, mean), new


@njit(**BARE)
def run_robust(
    block: Array, n: int, a: Lanes, b: Lanes, pairs: Array, away: Array, turns: int
) -> tuple[Lanes, Lanes, Lanes]:
    """Huber's winsorised mean and sigma of each run, and how far off they may be; f64.

    Starts from the median and 1.4826 MAD. In turn, values beyond mean +- 1.5 sigma are drawn in to
    that limit, and the mean and 1.134 times the standard deviation (n - 1) of the drawn-in values
    become the new mean and sigma, until both stand still. 1.134 makes sigma consistent for normal
    data. `robust_step` gets there in few turns. At most `turns` are made; what mean and sigma moved
    by in the last is returned as well. A lane that has come to rest is left alone. Sums are float32, of
    deviations from the median: those within 1.5 sigma are of one size, and sigma is right to 1e-6.

    References
    ----------
    ISO 13528:2015, annex C.3, algorithm A; Analytical Methods Committee (1989), Analyst 114, 1693,
    doi:10.1039/AN9891401693; P. J. Huber (1981), Robust Statistics, Wiley.
    """
    zero, none = f32(0.0), i32(0)
    start = run_median(block, a, b)
    pivot = f32(start)
    sigma = f32(run_deviation(block, n, a, b, start, pairs, away))
    count = f32(b - a)
    shift = zero  # of the mean, from the pivot
    last = zero
    moving = (count >= f32(3.0)) & (sigma > zero)
    for i in range(n):  # nothing compares with what is not a number
        inside = (i32(i) >= a) & (i32(i) < b)
        store(away, i * WIDE, where(inside, load(block, i * WIDE) - pivot, f32(np.nan)))
    for turn in range(turns):
        if lanes_of(moving) == 0:
            break
        low = shift - f32(1.5) * sigma
        high = shift + f32(1.5) * sigma
        total, square, within, under = zero, zero, none, none
        for i in range(n):
            value = load(away, i * WIDE)
            below = value < low
            keep = (value >= low) & (value <= high)
            value = where(keep, value, zero)
            total = total + value
            square = square + value * value
            within = within + i32(keep)
            under = under + i32(below)
        middle, less = f32(within), f32(under)
        over = count - middle - less
        mean, new = robust_step(total, square, middle, less, over, shift, sigma, turn < LEAPS)
        moved = size(mean - shift) + size(new - sigma)
        shift = where(moving, mean, shift)
        sigma = where(moving, new, sigma)
        last = where(moving, moved, last)
        moving = moving & (moved > f32(STILL) * sigma)
    return f64(pivot) + f64(shift), f64(sigma), f64(last)
