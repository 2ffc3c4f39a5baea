"""The noise of a frame from the frame itself."""

from __future__ import annotations

import numpy as np

from coldframe.frame import UNUSABLE, Array

LAG = 8
"""Pixels (down and across) between the two of a pair: even, so that both see the same CFA colour,
and farther than any resampling or demosaicing mixes neighbours."""

MOST = 2_000_000
"""Pairs that are looked at in a large frame: enough for 0.1% of sigma."""

MAD_TO_SIGMA = 1.482602218505602


def pixel_noise(data: Array, flags: Array) -> float:
    """Standard deviation of one pixel about the smooth scene.

    Parameters
    ----------
    data : float32 (y, x). flags : uint8 (y, x); pixels with UNUSABLE flags are left out.

    Returns
    -------
    sigma (in the data's unit); 0 when the frame has too few pixels to tell.

    Notes
    -----
    The differences of pixels LAG down and LAG across (less in very small frames) have sqrt(2) times
    the noise of one. Sky, gradients, and patterns of rows or columns mostly cancel. The pair is so
    far apart that resampling does not correlate it: what is measured is the scatter of single
    pixels, which resampling lowers, and not what averaging many pixels would gain. Stars are
    outliers: 1.4826 times the median absolute deviation, of what lies within 3 sigma, until that
    stands still.
    """
    lag = min(LAG, min(data.shape) // 4 * 2)
    if lag < 2:
        return 0.0
    thin = max(1, data.size // MOST) | 1  # odd: all CFA colours take their turn
    rows = slice(None, -lag, thin), slice(lag, None, thin)
    good = (flags & UNUSABLE) == 0
    pairs = good[rows[0], :-lag] & good[rows[1], lag:]
    difference = data[rows[1], lag:][pairs] - data[rows[0], :-lag][pairs]
    difference = difference[np.isfinite(difference)]
    if difference.size < 2:
        return 0.0
    sigma = np.inf
    for _ in range(20):
        difference = difference - np.median(difference)
        now = MAD_TO_SIGMA * float(np.median(np.abs(difference)))
        if now >= sigma * (1 - 1e-4):
            break
        sigma = now
        difference = difference[np.abs(difference) <= 3 * sigma]
    return float(min(now, sigma) / np.sqrt(2.0))
