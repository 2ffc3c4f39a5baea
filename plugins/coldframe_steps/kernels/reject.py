"""Which of a pixel's samples are outliers: the rules, one pixel at a time.

Every rule is a pure function of the pixel's usable samples, sorted and in float64, and says which
run of them to keep: `x[a:b]`. All values outside of the run are lower or higher, so that the count
of low and high rejections follows, and the order of the frames cannot matter.

`extra` is a variance (ADU^2) added to that of the sample before anything is judged; 0 in general.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from coldframe.frame import Array
from coldframe_steps.kernels.options import ESD, MAD_CLIP, MIN_MAX, NONE, WINSORISED

MAD_TO_SIGMA = 1.482602218505602
"""1 / quantile of the normal distribution at 3/4."""

MEAN_DEVIATION_TO_SIGMA = 1.2533141373155003
"""sqrt(pi / 2): standard deviation over mean absolute deviation of normal data."""

LEAPS, MOST_TURNS, STILL = 10, 100, 1e-5
"""Winsorised moments: turns that leap, turns in all, and sigmas that pass for standing still."""


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


@njit(cache=True, nogil=True)
def middle(x: Array, a: int, b: int) -> float:
    """Median of the sorted x[a:b]; the mean of the middle two when their number is even."""
    half = (b - a) // 2
    if (b - a) % 2 == 1:
        return x[a + half]
    return 0.5 * (x[a + half - 1] + x[a + half])


@njit(cache=True, nogil=True)
def moments(x: Array, a: int, b: int) -> tuple[float, float]:
    """Mean of x[a:b] and the sum of squared deviations from it."""
    total = 0.0
    for i in range(a, b):
        total += x[i]
    mean = total / (b - a)
    square = 0.0
    for i in range(a, b):
        square += (x[i] - mean) * (x[i] - mean)
    return mean, square


@njit(cache=True, nogil=True)
def ranked_deviation(x: Array, a: int, b: int, centre: float, rank: int) -> float:
    """The rank-th smallest (from 1) of |x - centre| of the sorted x[a:b].

    The `rank` nearest samples are a run of the sorted ones: the run is found by bisection whose
    far end is at least as far from the centre as its near one, and compared with the one before.
    """
    low, high = a, b - rank
    while low < high:
        half = (low + high) // 2
        if x[half + rank - 1] - centre >= centre - x[half]:
            high = half
        else:
            low = half + 1
    away = max(x[low + rank - 1] - centre, centre - x[low])
    if low > a:
        away = min(away, max(x[low + rank - 2] - centre, centre - x[low - 1]))
    return away


@njit(cache=True, nogil=True)
def median_deviation(x: Array, a: int, b: int, centre: float) -> float:
    """Median of |x - centre| of the sorted x[a:b]."""
    half = (b - a) // 2
    upper = ranked_deviation(x, a, b, centre, half + 1)
    if (b - a) % 2 == 1:
        return upper
    return 0.5 * (ranked_deviation(x, a, b, centre, half) + upper)


@njit(cache=True, nogil=True)
def scaled_deviation(x: Array, a: int, b: int, centre: float) -> float:
    """Sigma from the median absolute deviation; from the mean one where more than half are equal.

    Coarsely digitised data can have a median absolute deviation of 0 while the rest still vary.
    B. Iglewicz and D. C. Hoaglin (1993), How to Detect and Handle Outliers, ASQC.
    """
    sigma = MAD_TO_SIGMA * median_deviation(x, a, b, centre)
    if sigma > 0.0:
        return sigma
    total = 0.0
    for i in range(a, b):
        total += abs(x[i] - centre)
    return MEAN_DEVIATION_TO_SIGMA * total / (b - a)


@njit(cache=True, nogil=True)
def within(x: Array, a: int, b: int, low: float, high: float) -> tuple[int, int]:
    """The run of the sorted x[a:b] with low <= x <= high."""
    first = a
    while first < b and x[first] < low:
        first += 1
    last = b
    while last > first and x[last - 1] > high:
        last -= 1
    return first, last


@njit(cache=True, nogil=True)
def _sums(x: Array, a: int, b: int, start: float) -> tuple[float, float]:
    """Sums of x - start and of its square over x[a:b], in two strands that run side by side."""
    total = 0.0
    square = 0.0
    other = 0.0
    other_square = 0.0
    for i in range(a, b - 1, 2):
        one = x[i] - start
        two = x[i + 1] - start
        total += one
        square += one * one
        other += two
        other_square += two * two
    if (b - a) % 2 == 1:
        one = x[b - 1] - start
        total += one
        square += one * one
    return total + other, square + other_square


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def robust_step(
    total: float,
    square: float,
    inside: float,
    under: float,
    over: float,
    shift: float,
    sigma: float,
    leap: bool,
) -> tuple[float, float]:
    """The next mean and sigma of Huber's winsorised moments.

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
    count = inside + under + over
    inside = inside if inside > 1.0 else 1.0
    lean = 1.5 * (over - under)
    free = (count - 1.0) / (1.134 * 1.134) - 2.25 * (under + over) - lean * lean / inside
    jump = leap & (free > 0.05 * count)
    low = shift - 1.5 * sigma
    high = shift + 1.5 * sigma
    mean = (total + under * low + over * high) / count
    around = square + under * low * low + over * high * high - count * mean * mean
    around = 1.134 * 1.134 * around if around > 0.0 else 0.0
    rest = square - total * total / inside
    rest = rest if rest > 0.0 else 0.0
    new = math.sqrt((rest if jump else around) / (free if jump else count - 1.0))
    return ((total + lean * new) / inside if jump else mean), new


@njit(cache=True, nogil=True)
def robust_moments(x: Array, a: int, b: int) -> tuple[float, float]:
    """Huber's winsorised mean and sigma of the sorted x[a:b].

    Starts from the median and 1.4826 MAD. In turn, values beyond mean +- 1.5 sigma are drawn in to
    that limit, and the mean and 1.134 times the standard deviation (n - 1) of the drawn-in values
    become the new mean and sigma, until both stand still. 1.134 makes sigma consistent for normal
    data. `robust_step` gets there in few turns.

    References
    ----------
    ISO 13528:2015, annex C.3, algorithm A; Analytical Methods Committee (1989), Analyst 114, 1693,
    doi:10.1039/AN9891401693; P. J. Huber (1981), Robust Statistics, Wiley.
    """
    start = middle(x, a, b)
    sigma = scaled_deviation(x, a, b, start)
    shift = 0.0  # of the mean, from the starting median
    for turn in range(MOST_TURNS):
        if sigma == 0.0 or b - a < 3:
            break
        first, last = within(x, a, b, start + shift - 1.5 * sigma, start + shift + 1.5 * sigma)
        total, square = _sums(x, first, last, start)
        mean, new = robust_step(
            total, square, last - first, first - a, b - last, shift, sigma, turn < LEAPS
        )
        moved = abs(mean - shift) + abs(new - sigma)
        shift = mean
        sigma = new
        if moved <= STILL * sigma:
            break
    return start + shift, sigma


@njit(cache=True, nogil=True)
def min_max(m: int, lowest: int, highest: int) -> tuple[int, int]:
    """Leave out fixed numbers of the lowest and highest; fewer where too few samples are left."""
    if lowest + highest >= m:
        lowest = min(lowest, (m - 1) // 2)
        highest = min(highest, (m - 1) // 2)
    return lowest, m - highest


@njit(cache=True, nogil=True)
def clip(
    x: Array,
    m: int,
    rule: int,
    centre: float,
    sigma: float,
    low: float,
    high: float,
    iterations: int,
    extra: float,
) -> tuple[int, int]:
    """Sigma clip, winsorised sigma clip and median absolute deviation clip.

    In turn, centre and sigma of the samples that are left are taken and samples beyond
    centre - low sigma and centre + high sigma go; until none goes, or `iterations` times (0: no
    limit). The last limits decide about all samples. Centre is the median, or the winsorised mean;
    sigma the standard deviation (n), the winsorised one, or 1.4826 MAD.

    `centre` and `sigma` are those of all samples, from `lanes.first_look`.
    """
    a, b = m - m, m  # a literal 0 would have every function compiled once more for it
    below = -np.inf
    above = np.inf
    turn = 0
    while True:
        if turn > 0 and rule == WINSORISED:
            centre, sigma = robust_moments(x, a, b)
        elif turn > 0:
            centre = middle(x, a, b)
            if rule == MAD_CLIP:
                sigma = scaled_deviation(x, a, b, centre)
            else:
                sigma = math.sqrt(moments(x, a, b)[1] / (b - a))
        if extra > 0.0:
            sigma = math.sqrt(sigma * sigma + extra)
        below = centre - low * sigma
        above = centre + high * sigma
        first, last = within(x, a, b, below, above)
        turn += 1
        if first == last or (first == a and last == b) or turn == iterations:
            break
        a, b = first, last
    first, last = within(x, m - m, m, below, above)
    if first == last:
        return a, b
    return first, last


@njit(cache=True, nogil=True)
def extreme_deviates(
    x: Array, m: int, mean: float, square: float, fraction: float, critical: Array, extra: float
) -> tuple[int, int]:
    """Generalised extreme studentised deviate test for up to fraction x m outliers.

    The sample farthest from the mean is taken away, fraction x m times. The outliers are those
    taken away up to the last time that (distance / standard deviation)^2 was above
    `critical[samples left]`, from `esd_critical`. Of two equally far the higher goes first.
    `mean` and `square` are what `moments(x, 0, m)` gives. References: see `esd_critical`.
    """
    a, b = m - m, m  # see `clip`
    best_a, best_b = 0, m
    whole = square
    for _ in range(int(fraction * m + 1e-9)):
        count = b - a
        if count < 3:
            break
        top = x[b - 1] - mean >= mean - x[a]
        value = x[b - 1] if top else x[a]
        distance = value - mean
        outlier = distance * distance > critical[count] * (square / (count - 1) + extra)
        if top:
            b -= 1
        else:
            a += 1
        if outlier:
            best_a, best_b = a, b
        mean -= distance / (count - 1)
        square -= distance * (value - mean)
        if square < 1e-3 * whole:  # little is left of what was summed: sum anew, lest digits go
            mean, square = moments(x, a, b)
            whole = square
    return best_a, best_b


@njit(cache=True, nogil=True)
def keep_run(
    x: Array,
    m: int,
    rule: int,
    centre: float,
    spread: float,
    options: Array,
    critical: Array,
    extra: float,
) -> tuple[int, int]:
    """Judge one pixel's m >= 1 sorted samples by any rule: keep x[a:b], b > a.

    options : float64 (3,): (lowest, highest, -) for MIN_MAX; (low, high, iterations) for the
    clips; (largest fraction of outliers, -, -) for ESD. centre, spread : from `lanes.first_look`.
    """
    if rule == NONE:
        return 0, m
    if rule == MIN_MAX:
        return min_max(m, int(options[0]), int(options[1]))
    if rule == ESD:
        return extreme_deviates(x, m, centre, spread, options[0], critical, extra)
    return clip(x, m, rule, centre, spread, options[0], options[1], int(options[2]), extra)
