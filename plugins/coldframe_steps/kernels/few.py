"""Combine a tile of few frames, whose samples are judged by the frames' known noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coldframe.frame import Array
from coldframe_steps.kernels.known import Frames, judge_known, mark_grown
from coldframe_steps.kernels.options import Rule, Softening
from coldframe_steps.kernels.stack import median_variance_factor, reduce_tile
from coldframe_steps.kernels.trails import grow_trails

MOST = 64
"""Frames that can be judged by their known noise: one bit each."""


@dataclass(frozen=True, slots=True)
class Noise:
    """What is known of the frames' noise beforehand.

    variance : float64 (n,), ADU^2, of a matched sample of sky. slope : float64 (n,), ADU: what
    that rises by for each ADU of signal above `sky` (ADU), 1 / gain at the common scale.
    """

    variance: Array
    slope: Array
    sky: float


def reduce_few(
    data: Array,
    flags: Array,
    *,
    y0: int,
    match: Array,
    weights: Array,
    noise: Noise,
    limits: tuple[float, float],
    softening: Softening | None,
    grow: int,
) -> dict[str, Array]:
    """As `stack.reduce_tile`, for at most MOST frames.

    limits : (low, high), in sigma of what a sample differs from the median of the others by.
    """
    n, height, width = data.shape
    data = np.ascontiguousarray(data, dtype=np.float32)
    flags = np.ascontiguousarray(flags, dtype=np.uint8)
    taking = np.flatnonzero(weights > 0)
    if taking.size < n:
        data, flags = data[taking], flags[taking]
        match, weights, n = match[taking], weights[taking], taking.size
        noise = Noise(noise.variance[taking], noise.slope[taking], noise.sky)
    frames = Frames(
        np.ascontiguousarray(match, dtype=np.float64),
        np.ascontiguousarray(noise.variance, dtype=np.float64),
        np.ascontiguousarray(noise.slope, dtype=np.float64),
        median_variance_factor(n),
        float(noise.sky),
        *limits,
        0.0 if softening is None else softening.share,
        0.0 if softening is None else 5 * softening.noise,
    )
    marked = flags.copy()
    low, high = np.zeros((2, height, width), np.uint16)
    hot = np.zeros((height, width), np.uint64)
    work = np.empty((2, width), np.float32), np.empty(n), np.empty(n, np.int64)
    judge_known(data, flags, frames, y0, marked, low, high, hot, *work)
    if grow > 0 and hot.any():
        grown = np.zeros_like(hot)
        grow_trails(hot[np.newaxis], grow, grown[np.newaxis])
        mark_grown(flags, grown, marked, high)
    planes = reduce_tile(
        data, marked, y0=y0, match=match, weights=weights, relative=noise.variance, rule=Rule()
    )
    return {**planes, "low": low, "high": high}
