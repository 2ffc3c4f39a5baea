"""Robust numbers of large images, from a sample that is the same on every run."""

from __future__ import annotations

import math

import numpy as np

from coldframe.frame import Array

MAD_TO_SIGMA = 1.4826
"""Sigma of a normal distribution over its median absolute deviation: 1 / 0.67449 (Hampel 1974)."""


def sample(image: Array, most: int = 250_000) -> Array:
    """About `most` pixels on a regular grid with an odd step, so every CFA position is in."""
    step = grid_step(image.size, most)
    return image[::step, ::step]


def grid_step(size: int, most: int) -> int:
    """The odd step that leaves about `most` of an image's `size` pixels."""
    step = max(1, math.isqrt(size // most))
    return step + 1 - step % 2


def mad_sigma(values: Array) -> tuple[float, float]:
    """Median and robust sigma of finite values; (0, 0) when there are none."""
    values = values[np.isfinite(values)]
    if values.size == 0:
        return 0.0, 0.0
    median = float(np.median(values))
    return median, MAD_TO_SIGMA * float(np.median(np.abs(values - median)))


def pixel_noise(image: Array) -> float:
    """Sigma of one pixel's noise, from differences of pixels two columns apart.

    Two columns apart have the same colour, and slopes cancel in the median. Some 400,000 pixels
    tell sigma to 0.3%. Source: common practice; sqrt(2) for the difference of two.
    """
    step = max(1, image.size // 400_000)
    strips = image[:: step + 1 - step % 2]  # an odd step, so that every CFA position is in
    if strips.shape[1] < 3:
        return 0.0
    difference = strips[:, 2:].astype(np.float32) - strips[:, :-2]
    return mad_sigma(difference)[1] / math.sqrt(2.0)


def clipped_mean(values: Array, kappa: float = 3.0, rounds: int = 10) -> float:
    """Mean after clipping at `kappa` robust sigmas about the median until nothing changes.

    NaN when no value is finite. Source: common practice.
    """
    kept = values[np.isfinite(values)].astype(np.float64)
    for _ in range(rounds):
        median, sigma = mad_sigma(kept)
        inside = kept[np.abs(kept - median) <= kappa * sigma] if sigma > 0 else kept
        if inside.size == kept.size:
            break
        kept = inside
    return float(kept.mean()) if kept.size else math.nan
