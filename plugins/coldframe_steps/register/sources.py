"""Sky level and sources of an image by mesh background and thresholding, within the library's limits."""

from __future__ import annotations

import threading
from dataclasses import dataclass

import numpy as np
import sep

from coldframe.frame import Array
from coldframe_steps.kernels.stars import unusable_mask

MESH = 64  # px; a star is far smaller, a gradient or nebula mostly larger
PIXEL_BUFFER = 2_000_000  # pixels above the threshold that one call may hold
SUB_OBJECTS = 8192  # pieces that one blend may be split into
FAINTEST, COARSEST = 5e-5, 5e-3
"""Least share of a blend's light that makes a piece of it a source: at first, and at most. In a
rich cluster or on a nebula a blend holds hundreds of stars, so the share must be small."""
_settings = threading.Lock()


@dataclass(frozen=True, slots=True)
class Sky:
    """Median sky level and robust noise about the local sky, ADU."""

    level: float
    noise: float


def find_sky(image: Array, flags: Array, step: int) -> Sky | None:
    """Subtract the sky from an image in place.

    Parameters
    ----------
    image : float32 (y, x), changed. flags : uint8 (y, x).
    step : 2 for a CFA mosaic, whose four colour positions each have their own sky; else 1.

    Returns
    -------
    The mean level of the colour positions and the root mean square of their noise, or None when a
    colour position has no usable pixels.
    """
    levels, variances = [], []
    for dy in range(step):
        for dx in range(step):
            plane = np.ascontiguousarray(image[dy::step, dx::step])
            mask = unusable_mask(plane, np.ascontiguousarray(flags[dy::step, dx::step]))
            if mask.all():
                return None
            box = [min(MESH // step, size) for size in plane.shape]
            background = sep.Background(plane, mask=mask, bh=box[0], bw=box[1])
            background.subfrom(plane)
            image[dy::step, dx::step] = plane
            levels.append(background.globalback)
            # The library calls the noise of a constant image 1.
            constant = plane.min() == plane.max()
            variances.append(0.0 if constant else background.globalrms**2)
    return Sky(float(np.mean(levels)), float(np.sqrt(np.mean(variances))))


def extract(soft: Array, threshold: float) -> Array:
    """Sources in a smoothed, sky-subtracted image.

    A field too rich for the library's buffers is searched again with a threshold twice as high,
    and blends with too many pieces with coarser splitting: the brightest stars are the ones that
    matter.

    Parameters
    ----------
    soft : float32 (y, x), C-contiguous, native byte order.
    threshold : in standard deviations of `soft`'s own sky.

    Returns
    -------
    The library's structured array; it may be empty.
    """
    limit = threshold * lower_sigma(soft)
    if not limit > 0.0:
        return np.zeros(0, dtype=[(name, np.float64) for name in ("x", "y", "a", "b", "flux")])
    contrast = FAINTEST
    while True:
        try:
            # The buffers are settings of the whole process.
            with _settings:
                sep.set_extract_pixstack(PIXEL_BUFFER)
                sep.set_sub_object_limit(SUB_OBJECTS)
                # Its cleaning takes the square of the number of sources; `stars` judges each anyway.
                return sep.extract(
                    soft,
                    limit,
                    minarea=5,
                    filter_kernel=None,
                    deblend_cont=contrast,
                    clean=False,
                )
        except Exception as error:
            text = str(error).lower()
            if "deblend" in text and contrast < COARSEST:
                contrast *= 10.0
            elif "buffer full" in text or "deblend" in text:
                limit *= 2.0
            else:
                raise


def lower_sigma(image: Array) -> float:
    """Standard deviation of the sky, from the half below its median, where no stars are.

    1.4826 times the median distance below the median; every third row and column is enough.
    """
    sample = image[::3, ::3]
    middle = np.median(sample)
    below = middle - sample[sample < middle]
    return float(1.4826 * np.median(below)) if below.size else 0.0
