"""Combine a tile of many frames: limits, rejection, mean, variance and counts."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from coldframe.frame import Array
from coldframe_steps.kernels.network import merging_steps, rows_for, sorting_steps
from coldframe_steps.kernels.options import NONE, WINSORISED, Rule, Softening
from coldframe_steps.kernels.reject import esd_critical
from coldframe_steps.kernels.samples import STRIP, Planes, Samples
from coldframe_steps.kernels.sweep import sweep
from coldframe_steps.kernels.trails import grow_trails
from coldframe_steps.kernels.workspace import Plan, Room


@lru_cache(maxsize=32)
def _critical(n: int, alpha: float) -> Array:
    return esd_critical(n, alpha)


def median_variance_factor(n: int) -> Array:
    """Variance of the median over variance of the mean of k normal values, k = 0 to n.

    Returns
    -------
    float64 (n + 1,). Tends to pi / 2; 1 where median and mean are the same (k <= 2).

    Notes
    -----
    pi k / (2 (k + 2 - pi / 2)) for odd k, and with k + 1 in the denominator for even k, to which
    terms in 1 / k are added that bring it within 0.5% of the exact variances of order statistics
    for every k > 2.

    References
    ----------
    J. L. Hodges and E. L. Lehmann (1967), On medians and quasi medians, Journal of the American
    Statistical Association 62, 926, doi:10.1080/01621459.1967.10500904.
    """
    k = np.arange(n + 1, dtype=np.float64)
    k[0] = 1.0
    odd = k + 2 - math.pi / 2 + 0.25 / k
    even = k + 3 - math.pi / 2 - 0.65 / k
    factor = math.pi / 2 * k / np.where(k % 2 == 1, odd, even)
    factor[:3] = 1.0
    return factor


def keeps_all(rule: Rule, n: int) -> bool:
    """Whether a rule keeps every sample of at most `n`, whatever they are.

    Winsorised moments of three values stand still only when none of them is drawn in: with one
    beyond mean + 1.5 sigma, sigma grows by 1.47 each turn, however far away it is. Then sigma is
    1.134 times their standard deviation s, and no one of three can be farther than 2 s / sqrt(3)
    from their mean (R. E. Shiffler (1988), Maximum Z scores and outliers, The American Statistician
    42, 79).
    """
    return rule.code == WINSORISED and n <= 3 and min(rule.options[:2]) >= 1.1


def reduce_tile(
    data: Array,
    flags: Array,
    *,
    y0: int = 0,
    match: Array | None = None,
    weights: Array | None = None,
    relative: Array | None = None,
    rule: Rule | None = None,
    median: bool = False,
    softening: Softening | None = None,
    grow: int = 0,
) -> dict[str, Array]:
    """Reject and combine the samples of every pixel.

    Parameters
    ----------
    data, flags : float32 and uint8 (n, h, w). Samples with UNUSABLE flags, and infinite or NaN
        ones, never enter.
    y0 : row of the full frame that row 0 is.
    match : float64 (n, 4): scale, offset (ADU), slope in y and in x (ADU/px); value x scale -
        (offset + slope_y y + slope_x x) brings a sample to the common level. None: as they are.
    weights : float64 (n,), at least 0; None: equal.
    relative : float64 (n,), variance of a matched sample (ADU^2), for the variance plane. None: 1.
    rule : how to reject; None: not at all.
    median : give the median of the kept samples in place of their weighted mean.
    softening : see there; only for rules that judge by sigma. grow : px by which high rejections of
        trails grow; not for MIN_MAX, which rejects everywhere.

    Returns
    -------
    Planes (h, w): "data", "variance" (of the mean or median, ADU^2) and "weight" (that of the kept
    samples over that of all) float32; "flags" uint8 (those that most kept samples carry; NO_DATA
    and data 0 where no sample was kept); "count", "low", "high" uint16 (kept, rejected).

    Raises
    ------
    ValueError
        No weight is above 0, or the shapes differ.
    """
    n, height, width = data.shape
    rule = rule or Rule()
    data = np.ascontiguousarray(data, dtype=np.float32)
    flags = np.ascontiguousarray(flags, dtype=np.uint8)
    if match is None:
        match = np.tile([1.0, 0.0, 0.0, 0.0], (n, 1))
    match = np.ascontiguousarray(match, dtype=np.float64)
    weights = np.ones(n) if weights is None else np.ascontiguousarray(weights, dtype=np.float64)
    relative = np.ones(n) if relative is None else np.ascontiguousarray(relative, dtype=np.float64)
    frames = np.flatnonzero(weights > 0)
    n = frames.size
    if n == 0 or flags.shape != data.shape:
        raise ValueError("no frame has any weight, or flags are not of the data's shape")
    used = weights[frames]
    if (used == used[0]).all():
        used = np.ones(n)  # only ratios of weights matter, and loops are shorter with these
    noise = used * relative[frames]
    if keeps_all(rule, n):
        rule, softening, grow = Rule(), None, 0
    samples = Samples(
        data.reshape(-1), flags.reshape(-1), height, width, frames, match[frames], used, noise, y0
    )
    softened = softening is not None
    words = -(-n // 64) if grow > 0 else 0
    planes = Planes.empty(height * width, softened, words)
    plan = _plan(match[frames], used, noise, rule, median, softened)
    shape = (height, width)

    def run(some: bool, todo: Array, extra: Array, grown: Array) -> None:
        in_rows = plan.rule == NONE and not (plan.middle or some) and width >= STRIP
        room = Room.empty(n, rows_for(n), len(grown) > 0, width if in_rows else 0)
        sweep(samples, plan, room, some, todo, extra, grown, planes)

    extra = np.zeros(shape, np.float32)
    no_trails = np.empty((0, height * width), np.uint64)
    run(False, np.empty((0, 0), np.bool_), extra, no_trails)
    if softening is not None:
        # More variance can only keep more, so that pixels with nothing rejected are done.
        extra = _soften(planes.median.reshape(shape), softening)
        cut = ((planes.below > 0) | (planes.above > 0)).reshape(shape)
        run(True, cut & (extra > 0), extra, no_trails)
    if grow > 0:
        grown = np.zeros_like(planes.hot)
        grow_trails(planes.hot.reshape(-1, *shape), grow, grown.reshape(-1, *shape))
        run(True, grown.any(axis=0).reshape(shape), extra, grown)
    named = {
        "data": planes.mean,
        "flags": planes.marks,
        "variance": planes.variance,
        "weight": planes.share,
        "count": planes.kept,
        "low": planes.below,
        "high": planes.above,
    }
    return {name: plane.reshape(shape) for name, plane in named.items()}


def _plan(
    match: Array, weights: Array, noise: Array, rule: Rule, median: bool, softened: bool
) -> Plan:
    """What the loops need to know of the rule and of all frames together."""
    n = weights.size
    everything, expected, weighted = 0.0, 0.0, 0.0
    for weight, part in zip(weights.tolist(), noise.tolist(), strict=True):  # as the loops sum
        everything += weight
        expected += part
        weighted += part * weight
    # As `accumulate.variance_terms`.
    known, base = expected - weighted / everything, weighted / (everything * everything)
    lone = n < 2 or known <= 0
    return Plan(
        rule=rule.code,
        options=np.array(rule.options),
        critical=_critical(n, rule.alpha),
        pairs=sorting_steps(n),
        merging=merging_steps(n),
        few_pairs=sorting_steps(n, median_only=True),
        few_merging=merging_steps(n, median_only=True),
        middle=median or softened or rule.code != NONE,
        median_factor=median_variance_factor(n) if median else np.empty(0),
        even=bool((weights == 1).all()),
        matched=bool((match != (1.0, 0.0, 0.0, 0.0)).any()),
        everything=everything,
        part=1.0 / everything,
        factor=0.0 if lone else base / known,
        alone=base if lone else 0.0,
    )


def _soften(median: Array, softening: Softening) -> Array:
    highest, lowest = _extreme(median, np.maximum), _extreme(median, np.minimum)
    steep = np.maximum(highest - lowest - np.float32(5 * softening.noise), 0)
    return (np.float32(softening.share) * steep) ** 2


def _extreme(plane: Array, of: np.ufunc) -> Array:
    """Maximum or minimum over each pixel and its neighbours, as far as there are any."""
    for _ in range(2):
        out = plane.copy(order="K")
        of(out[1:], plane[:-1], out=out[1:])
        of(out[:-1], plane[1:], out=out[:-1])
        plane = out.T
    return plane
