"""Sky level and sources of an image by mesh background and thresholding, within the library's limits."""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass

import numpy as np
import sep
from scipy import ndimage

from coldframe.frame import Array
from coldframe_steps.kernels.sky import RIM, flatten, mesh_sky

MESH = 64  # px; a star is far smaller, a gradient or nebula mostly larger
LEAST = 0.2  # of a box's pixels must be usable; elsewhere its neighbours tell
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


def without_sky(image: Array, flags: Array, step: int) -> tuple[Array, Array, Sky] | None:
    """Take the sky off an image, fill in its unusable pixels, and smooth it.

    Parameters
    ----------
    image : float32 (y, x). flags : uint8 (y, x).
    step : 2 for a CFA mosaic, whose four colour positions each have their own sky; else 1.

    Returns
    -------
    The image without sky, the same smoothed, and the sky: the mean of the colour positions' median
    levels and the root mean square of their median noises. None when a colour position has no
    usable pixels.
    """
    height, width = image.shape
    rows, columns = _edges(height), _edges(width)
    found = np.empty((step * step, rows.size - 1, columns.size - 1, 2))
    mesh_sky(image, flags, step, rows, columns, LEAST, found)
    whole = np.array([_whole(mesh) for mesh in found[..., 0]])
    if not np.isfinite(whole).all():
        mesh_sky(image, flags, step, rows, columns, 0.0, found)  # scattered pixels must do
        whole = np.array([_whole(mesh) for mesh in found[..., 0]])
        if not np.isfinite(whole).all():
            return None
    mesh = ((RIM, RIM), (RIM, RIM))
    # Beyond the outermost nodes the sky goes on as it comes.
    nodes = np.array([np.pad(w, mesh, mode="reflect", reflect_type="odd") for w in whole])
    sharp, soft = np.empty(image.shape, np.float32), np.empty(image.shape, np.float32)
    pitches = height / (rows.size - 1), width / (columns.size - 1)
    flatten(image, flags, nodes, *pitches, sharp, soft)
    levels, noises = np.nanmedian(found, axis=(1, 2)).T
    return sharp, soft, Sky(float(levels.mean()), float(np.sqrt(np.mean(noises**2))))


def _edges(size: int) -> Array:
    """Where the mesh's boxes begin and end, all but the end at even numbers."""
    boxes = max(1, round(size / MESH))
    edges = np.round(np.arange(boxes + 1) * (size / boxes / 2.0)).astype(np.int64) * 2
    edges[-1] = size
    return edges


def _whole(mesh: Array) -> Array:
    """The mesh with gaps filled in from the nearest box, and freed of what stands out alone."""
    gaps = ~np.isfinite(mesh)
    if gaps.all():
        return mesh
    if gaps.any():
        near = ndimage.distance_transform_edt(gaps, return_distances=False, return_indices=True)
        mesh = mesh[tuple(near)]
    out: Array = ndimage.median_filter(mesh, 3, mode="nearest")
    return out


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

    1.4826 times the median distance below the median, of about 300,000 pixels.
    """
    step = max(1, 2 * (math.isqrt(image.size // 300_000) // 2) + 1)
    sample = image[::step, ::step]
    middle = np.median(sample)
    below = middle - sample[sample < middle]
    return float(1.4826 * np.median(below)) if below.size else 0.0
