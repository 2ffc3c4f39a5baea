"""What the stacking kernels pass to each other: the samples of a tile, and limits for them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from coldframe.frame import UNUSABLE, Array

SKIP = np.uint8(UNUSABLE)
FAR = np.float32(np.inf)
HUGE = np.float32(np.finfo(np.float32).max)


class Samples(NamedTuple):
    """Every sample of a tile, and how to use those of each frame.

    data, flags : float32 and uint8 (n, h, w).
    match : float64 (n, 4): scale, offset (ADU), slopes in y and x (ADU/px), see `matched`.
    weights : float64 (n,); a frame of weight 0 takes no part.
    relative : float64 (n,), variance of a matched sample (ADU^2).
    y0 : row of the full frame that row 0 is.
    """

    data: Array
    flags: Array
    match: Array
    weights: Array
    relative: Array
    y0: int


class Limits(NamedTuple):
    """Which samples of each pixel are kept: low <= matched value <= high.

    low, high : float32 (h, w); low > high where no sample is usable.
    skip_low, skip_high : uint16 (h, w), how many of the samples equal to the limit go as well.
    median : float32 (h, w), the median of the kept samples.
    cut : bool (h, w), whether any sample is rejected.
    """

    low: Array
    high: Array
    skip_low: Array
    skip_high: Array
    median: Array
    cut: Array

    @classmethod
    def empty(cls, shape: tuple[int, int]) -> Limits:
        """Planes to be written."""
        return cls(
            np.empty(shape, np.float32),
            np.empty(shape, np.float32),
            np.empty(shape, np.uint16),
            np.empty(shape, np.uint16),
            np.empty(shape, np.float32),
            np.empty(shape, np.bool_),
        )


@njit(cache=True, nogil=True)
def level(match: Array, y: int) -> tuple[float, float, float]:
    """Of one frame's `match` and a row of the full frame: scale, offset there, slope in x."""
    return match[0], match[1] + match[2] * y, match[3]


@njit(cache=True, nogil=True)
def matched(value: float, scale: float, offset: float, slope: float, x: int) -> np.float32:
    """A sample brought to the common level: value x scale - (offset + slope x), in float32."""
    return np.float32(np.float64(value) * scale - (offset + slope * np.float64(x)))


@njit(cache=True, nogil=True)
def usable(value: np.float32, bits: int) -> bool:
    """No UNUSABLE flag, not infinite, not NaN."""
    return ((bits & SKIP) == 0) & (abs(value) <= HUGE)
