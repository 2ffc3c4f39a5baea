"""How true the surfaces of a stack are: noise, shading and the nebula.

All images are float32 (y, x), in e-/s/px above the air.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import ndimage

from coldframe.demo.stage import Stage, view_of
from coldframe.frame import Array

_WIDE = 25.0  # px, sigma of the window that takes the sky's gradients away
_LARGEST = 2000  # px: larger stacks are judged by their middle


def noise_ratio(
    residual: Array, free: Array, variance: Array, window: float
) -> tuple[float, float]:
    """Noise of a stack over the least possible, free of the smoothing of resampling, and its error.

    Resampling and demosaicing spread each pixel's noise over its neighbours: single pixels look
    quieter than they are, but means over areas far larger than the kernel keep their noise, as
    every kernel sums to 1. So the residual is averaged in Gaussian windows of sigma `window` px,
    less the average in windows of 25 px, which takes away what is left of the sky's gradients
    (a quadratic surface is taken off first, as windows at the edge see one side only).
    What white noise of the given variance would leave there follows from the squared windows,
    masks included. The figure is the rms of the one over the other. A kernel of variance k px^2
    makes it too small by about k / (2 window^2): with 5 px, 1 per cent for bilinear demosaicing
    of red and blue, nothing for Lanczos resampling.

    Parameters
    ----------
    residual : stack less the truth. free : bool (y, x), star-free pixels.
    variance : for one sensor pixel a stack pixel; four times that where only every fourth sees
        the colour.
    """
    middle = _middle(residual.shape)
    mask = free[middle].astype(np.float32)
    flat = residual[middle] - _quadratic(residual[middle], free[middle])
    data = np.where(free[middle], flat, 0).astype(np.float32)
    near, far = _blur(mask, window), _blur(mask, _WIDE)
    enough = (near > 0.5) & (far > 0.3)
    near, far = np.maximum(near, 1e-6), np.maximum(far, 1e-6)
    value = _blur(data, window) / near - _blur(data, _WIDE) / far
    # The product of two Gaussian windows is a Gaussian window again.
    both = window**2 + _WIDE**2
    expected = _blur(mask, window / math.sqrt(2)) / (4 * math.pi * window**2) / near**2
    expected += _blur(mask, _WIDE / math.sqrt(2)) / (4 * math.pi * _WIDE**2) / far**2
    expected -= _blur(mask, window * _WIDE / math.sqrt(both)) / (math.pi * both) / (near * far)
    z = (value / np.sqrt(np.maximum(expected, 1e-12) * variance[middle]))[enough]
    if z.size == 0:
        return float("nan"), float("nan")
    core = z[np.abs(z - np.median(z)) < 4 * 1.4826 * np.median(np.abs(z - np.median(z)))]
    independent = core.size / (4 * math.pi * window**2)
    ratio = float(np.std(core))
    return ratio, ratio / math.sqrt(2 * independent)


def pixel_noise(residual: Array, free: Array) -> float:
    """Robust sigma of single star-free pixels, gradients taken away."""
    middle = _middle(residual.shape)
    mask, data = free[middle], residual[middle]
    smooth = _blur(np.where(mask, data, 0), _WIDE) / np.maximum(
        _blur(mask.astype(np.float32), _WIDE), 1e-3
    )
    values = (data - smooth)[mask]
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def shading_residual(stage: Stage, sky: Array, free: Array) -> float:
    """Shading left in the sky, as the share of the sky's light missing in the corners.

    sky : stack less stars and nebula. A plane (the sky's own slope), the sky's known curvature and
    the shape of the optics' shading are fitted to means of 20 px boxes.
    """
    truth = stage.truth
    level, y, x = _boxes(sky, free, 20)
    v, u = stage.projection.to_sky(y, x)
    height, width = truth.shape
    corner = truth.optics.shading(truth.shape, np.zeros(1), np.zeros(1))[0]
    shape = (1 - truth.optics.shading(truth.shape, y, x)) / (1 - corner)
    glow = view_of(stage.used[0]).glow
    level = level / (1 + glow.curve * (v * v + u * u) / glow.radius**2)
    basis = np.column_stack([np.ones_like(y), y / height - 0.5, x / width - 0.5, shape])
    keep = np.ones(len(level), dtype=bool)
    for _ in range(3):
        fit = np.linalg.lstsq(basis[keep], level[keep], rcond=None)[0]
        off = np.abs(level - basis @ fit)
        keep = off < 4 * 1.4826 * np.median(off)
    return float(-fit[3] / fit[0])


def nebula_contrast(light: Array, nebula: Array, free: Array) -> tuple[float, float]:
    """Brightness of the nebula's inner part over empty sky: (measured, true).

    light : stack less stars. Inner is where the nebula has more than half of its peak, empty where
    it has less than 2 per cent.
    """
    peak = float(nebula.max())
    inner, empty = free & (nebula > 0.5 * peak), free & (nebula < 0.02 * peak)
    if not inner.any() or not empty.any():
        return float("nan"), float("nan")
    measured, true = (
        float(image[inner].mean(dtype=np.float64) - image[empty].mean(dtype=np.float64))
        for image in (light, nebula)
    )
    return measured, true


def _blur(image: Array, sigma: float) -> Array:
    out: Array = ndimage.gaussian_filter(image, sigma, mode="constant", truncate=4)
    return out


def _quadratic(image: Array, free: Array) -> Array:
    """The surface of second order that fits the free pixels' means over 20 px boxes."""
    height, width = image.shape
    level, y, x = _boxes(image, free, 20)
    if len(level) < 12:
        return np.zeros_like(image)

    def terms(y: Array, x: Array) -> list[Array]:
        y, x = np.broadcast_arrays(y / height - 0.5, x / width - 0.5)
        return [np.ones_like(y), y, x, y * y, y * x, x * x]

    fit = np.linalg.lstsq(np.column_stack(terms(y, x)), level, rcond=None)[0]
    surface = np.zeros(image.shape, dtype=np.float32)
    rows, columns = np.arange(height)[:, np.newaxis], np.arange(width)[np.newaxis, :]
    for coefficient, term in zip(fit, terms(rows, columns), strict=True):
        surface += coefficient * term
    return surface


def _middle(shape: tuple[int, ...]) -> tuple[slice, slice]:
    """The part of a large stack that is enough to know its noise."""
    top, left = (max(0, (n - _LARGEST) // 2) for n in shape)
    return slice(top, shape[0] - top), slice(left, shape[1] - left)


def _boxes(image: Array, free: Array, size: int) -> tuple[Array, Array, Array]:
    """Means of square boxes with at least 40% free pixels, and the boxes' centres (y, x)."""
    height, width = (n // size * size for n in image.shape)
    cut = (height // size, size, width // size, size)
    kept = free[:height, :width].reshape(cut)
    total = np.where(kept, image[:height, :width].reshape(cut), 0).sum((1, 3), dtype=np.float64)
    count = kept.sum((1, 3))
    rows, columns = np.nonzero(count >= 0.4 * size * size)
    middle = (size - 1) / 2
    means = total[rows, columns] / count[rows, columns]
    return means, rows * size + middle, columns * size + middle
