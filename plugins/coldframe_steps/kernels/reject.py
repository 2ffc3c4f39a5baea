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
def median_deviation(x: Array, a: int, b: int, centre: float) -> float:
    """Median of |x - centre| of the sorted x[a:b], walking outward from the centre."""
    count = b - a
    above = a + count // 2
    while above > a and x[above - 1] >= centre:
        above -= 1
    while above < b and x[above] < centre:
        above += 1
    below = above - 1
    last = 0.0
    before = 0.0
    for _ in range(count // 2 + 1):
        before = last
        if below < a or (above < b and x[above] - centre <= centre - x[below]):
            last = x[above] - centre
            above += 1
        else:
            last = centre - x[below]
            below -= 1
    if count % 2 == 1:
        return last
    return 0.5 * (last + before)


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
def robust_moments(x: Array, a: int, b: int) -> tuple[float, float]:
    """Huber's winsorised mean and sigma of the sorted x[a:b].

    Starts from the median and 1.4826 MAD. In turn, values beyond mean +- 1.5 sigma are drawn in to
    that limit, and the mean and 1.134 times the standard deviation (n - 1) of the drawn-in values
    become the new mean and sigma, until both stand still. 1.134 makes sigma consistent for normal
    data.

    References
    ----------
    ISO 13528:2015, annex C.3, algorithm A; Analytical Methods Committee (1989), Analyst 114, 1693,
    doi:10.1039/AN9891401693; P. J. Huber (1981), Robust Statistics, Wiley.
    """
    count = b - a
    start = middle(x, a, b)
    sigma = scaled_deviation(x, a, b, start)
    shift = 0.0  # of the mean, from the starting median
    # x[first:last] lies within the limits. Its sums are kept up as it moves; outliers never enter
    # them, so that nothing is lost to cancellation.
    first = last = a + count // 2
    total = 0.0
    square = 0.0
    for _ in range(100):
        if sigma == 0.0 or count < 3:
            break
        low = shift - 1.5 * sigma
        high = shift + 1.5 * sigma
        while last < b and x[last] - start <= high:
            total += x[last] - start
            square += (x[last] - start) ** 2
            last += 1
        while first > a and x[first - 1] - start >= low:
            first -= 1
            total += x[first] - start
            square += (x[first] - start) ** 2
        while first < last and x[first] - start < low:
            total -= x[first] - start
            square -= (x[first] - start) ** 2
            first += 1
        while first < last and x[last - 1] - start > high:
            last -= 1
            total -= x[last] - start
            square -= (x[last] - start) ** 2
        under = first - a
        over = b - last
        mean = (total + under * low + over * high) / count
        spread = square + under * low * low + over * high * high - count * mean * mean
        new = 1.134 * math.sqrt(max(spread, 0.0) / (count - 1))
        moved = abs(mean - shift) + abs(new - sigma)
        shift = mean
        sigma = new
        if moved <= 1e-6 * sigma:
            break
    return start + shift, sigma


@njit(cache=True, nogil=True)
def within(x: Array, m: int, low: float, high: float) -> tuple[int, int]:
    """The run of the sorted x[:m] with low <= x <= high."""
    a = 0
    while a < m and x[a] < low:
        a += 1
    b = m
    while b > a and x[b - 1] > high:
        b -= 1
    return a, b


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
    mean: float,
    square: float,
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

    `mean` and `square` are what `moments(x, 0, m)` gives; only sigma clip reads them.
    """
    a, b = 0, m
    below = -np.inf
    above = np.inf
    turn = 0
    while True:
        if rule == WINSORISED:
            centre, sigma = robust_moments(x, a, b)
        else:
            centre = middle(x, a, b)
            if rule == MAD_CLIP:
                sigma = scaled_deviation(x, a, b, centre)
            else:
                if turn > 0:
                    _, square = moments(x, a, b)
                sigma = math.sqrt(square / (b - a))
        if extra > 0.0:
            sigma = math.sqrt(sigma * sigma + extra)
        below = centre - low * sigma
        above = centre + high * sigma
        first, last = a, b
        while first < last and x[first] < below:
            first += 1
        while last > first and x[last - 1] > above:
            last -= 1
        turn += 1
        if first == last or (first == a and last == b) or turn == iterations:
            break
        a, b = first, last
    first, last = within(x, m, below, above)
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
    a, b = 0, m
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
    mean: float,
    square: float,
    options: Array,
    critical: Array,
    extra: float,
) -> tuple[int, int]:
    """Judge one pixel's m >= 1 sorted samples by any rule: keep x[a:b], b > a.

    options : float64 (3,): (lowest, highest, -) for MIN_MAX; (low, high, iterations) for the
    clips; (largest fraction of outliers, -, -) for ESD.
    """
    if rule == NONE:
        return 0, m
    if rule == MIN_MAX:
        return min_max(m, int(options[0]), int(options[1]))
    if rule == ESD:
        return extreme_deviates(x, m, mean, square, options[0], critical, extra)
    return clip(x, m, rule, mean, square, options[0], options[1], int(options[2]), extra)
