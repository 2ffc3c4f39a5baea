"""The noise of a frame from the frame itself."""

from __future__ import annotations

import numpy as np

from coldframe.frame import UNUSABLE, Array
from coldframe.selection import median

LAG = 8
"""Pixels (down and across) from one to the next of three: even, so that all see the same CFA
colour, and farther than any resampling or demosaicing mixes neighbours."""

MOST = 600_000
"""Differences that are looked at in a large frame: enough for 0.2% of sigma."""

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
    Of three pixels, each LAG down and LAG across from the last (less in very small frames), the
    first less twice the second plus the third has sqrt(6) times the noise of one. Sky and gradients
    cancel. They are so far apart that resampling does not correlate them: what is measured is the
    scatter of single pixels, which resampling lowers, and not what averaging many would gain.
    Stars are outliers: 1.4826 times the median absolute deviation, of what lies within 3 sigma,
    until that stands still.
    """
    lag = min(LAG, min(data.shape) // 6 * 2)
    if lag < 2 or min(data.shape) <= 2 * lag:
        return 0.0
    thin = max(1, data.size // MOST) | 1  # odd: all CFA colours take their turn
    places = [
        np.s_[y : data.shape[0] - 2 * lag + y : thin, y : data.shape[1] - 2 * lag + y]
        for y in (0, lag, 2 * lag)
    ]
    total = data[places[0]] - 2 * data[places[1]] + data[places[2]]
    good = np.isfinite(total)
    for place in places:
        good &= (flags[place] & UNUSABLE) == 0
    difference = total[good]
    if difference.size < 2:
        return 0.0
    sigma = np.inf
    for _ in range(20):
        difference = difference - median(difference)
        size = np.abs(difference)
        now = MAD_TO_SIGMA * median(size)
        if now >= sigma * (1 - 1e-4):
            break
        sigma = now
        difference = difference[size <= 3 * sigma]
    return float(min(now, sigma) / np.sqrt(6.0))
