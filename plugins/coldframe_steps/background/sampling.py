"""Sky samples: robust sky in boxes on a regular grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from coldframe.frame import UNUSABLE, Array, Flag, Frame
from coldframe_steps.kernels.pixels import readonly
from coldframe_steps.kernels.surface import box_sky

BAD = int(UNUSABLE | Flag.SATURATED)
LARGEST = 64
"""A box of this side has sky to a few hundredths of a pixel's noise; more only costs time."""

KAPPA = 2.5
LEAST_USABLE = 0.5
"""A box with more of it missing is at the rim of the data."""

LEAST_SKY = 0.4
"""A box with more than the rest clipped away is full of stars."""

NOISY = 3.0
"""A box this much noisier than most is in the glow of a bright star."""


@dataclass(frozen=True, slots=True)
class Samples:
    """Sky on a grid of (m, n) boxes.

    y, x : float64 (m, n), centres on the scale -1 to 1. sky, error : float64 (c, m, n), ADU.
    usable : bool (m, n), measured in every colour.
    """

    y: Array
    x: Array
    sky: Array
    error: Array
    usable: Array


def take_samples(frame: Frame, count: int, box: int) -> Samples:
    """Measure sky in boxes.

    Parameters
    ----------
    frame : mono (y, x) or colour (3, y, x).
    count : boxes along the longer side. box : side of a box in px; 0 fills the grid's cells, up
        to 64 px.

    Notes
    -----
    A box is left out where less than half of it has data, where most pixels were clipped as
    stars, or where it is much noisier than other boxes.
    """
    height, width = frame.shape
    cell = max(4.0, max(height, width) / count)
    m, n = max(2, round(height / cell)), max(2, round(width / cell))
    size = box or max(4, min(LARGEST, int(min(height / m, width / n))))
    yc, xc = (np.arange(m) + 0.5) * height / m, (np.arange(n) + 0.5) * width / n
    gy, gx = np.meshgrid(yc, xc, indexing="ij")
    y0 = np.floor(gy - size / 2).astype(np.int64).ravel()
    x0 = np.floor(gx - size / 2).astype(np.int64).ravel()
    flags = readonly(frame.flags, np.uint8)
    y0, x0 = readonly(y0, np.int64), readonly(x0, np.int64)

    # From the middles of boxes, which lie on whole pixels, to those of the grid's cells.
    beside = np.stack([gy - y0.reshape(m, n) - size / 2, gx - x0.reshape(m, n) - size / 2], axis=-1)
    pitch = height / m, width / n

    def measured(plane: Array) -> Array:
        """Twice: what a steep sky adds within a box would pass for noise, and hide stars."""
        image = readonly(plane)
        rough = box_sky(image, flags, BAD, y0, x0, size, KAPPA).reshape(m, n, 4)
        slopes = _slopes(rough, size, pitch)
        once_more = slopes.reshape(-1, 2)
        out = box_sky(image, flags, BAD, y0, x0, size, KAPPA, once_more).reshape(m, n, 4)
        out[..., 0] += (slopes * beside).sum(axis=-1)
        return out

    found = np.array([measured(plane) for plane in frame.channels])
    sky, sigma, had, left = np.moveaxis(found, 3, 0)
    full = had >= LEAST_USABLE * size * size
    good = full & (left >= LEAST_SKY * had)
    for channel in range(sky.shape[0]):
        if good[channel].any():
            typical = np.median(sigma[channel][good[channel]])
            good[channel] &= sigma[channel] <= NOISY * max(typical, 1e-12)
    # A median of n normal values has pi/2 times the variance of their mean.
    error = np.sqrt(np.pi / 2) * sigma / np.sqrt(np.maximum(left, 1))
    return Samples(
        2 * gy / height - 1, 2 * gx / width - 1, sky, error, np.logical_and.reduce(good, axis=0)
    )


def _slopes(rough: Array, size: int, pitch: tuple[float, float]) -> Array:
    """ADU/px down and to the right at each box, (m, n, 2); 0 where boxes at the rim have no data.

    Differences of medians of 3 x 3 boxes: no single star tilts its neighbours.
    """
    known = rough[..., 2] >= LEAST_USABLE * size * size
    smooth = ndimage.median_filter(rough[..., 0], 3, mode="nearest")
    inner = ndimage.binary_erosion(known, np.ones((3, 3), bool), border_value=1)
    down, right = np.gradient(smooth, *pitch)
    slopes = np.stack([down, right], axis=-1)
    out: Array = np.where(inner[..., np.newaxis], slopes, 0.0)
    return out
