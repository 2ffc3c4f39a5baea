"""Loops of the background fit: sky in boxes, smooth surfaces at every pixel, their removal."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from coldframe.frame import Array
from coldframe_steps.kernels.ordering import sort_floats

ROUNDS = 12


@njit(cache=True, nogil=True)
def box_sky(
    image: Array, flags: Array, bad: int, y0: Array, x0: Array, size: int, kappa: float
) -> Array:
    """Robust sky in square boxes.

    Parameters
    ----------
    image, flags : float32 and uint8, (y, x). Pixels with a `bad` flag are left out.
    y0, x0 : int64 (n,), first row and column of each box. size : rows and columns of a box.
    kappa : clip this many sigmas on both sides of the median until nothing changes. Sigma is the
        distance from the median down to the 15.87% quantile: stars only ever brighten.

    Returns
    -------
    float64 (n, 4): median of what is left, its sigma, number of usable pixels, number left.
    """
    height, width = image.shape
    out = np.zeros((y0.size, 4), np.float64)
    buffer, room = np.empty(size * size, np.float32), np.empty((2, size * size), np.uint32)
    counts = np.empty((3, 2048), np.int32)
    for k in range(y0.size):
        count = np.int64(0)
        for y in range(max(0, y0[k]), min(height, y0[k] + size)):
            for x in range(max(0, x0[k]), min(width, x0[k] + size)):
                if not flags[y, x] & bad and math.isfinite(image[y, x]):
                    buffer[count] = image[y, x]
                    count += 1
        out[k, 2] = count
        if count < 8:
            continue
        sort_floats(buffer, count, room, counts, 3)
        values = buffer
        low, high = 0, count
        median, sigma = 0.0, 0.0
        for _ in range(ROUNDS):
            n = high - low
            half = low + n // 2
            median = np.float64(values[half])
            if n % 2 == 0:
                median = 0.5 * (median + np.float64(values[half - 1]))
            sigma = median - np.float64(values[low + int(0.1587 * n)])
            before = n
            while high - low > 8 and values[high - 1] > median + kappa * sigma:
                high -= 1
            while high - low > 8 and values[low] < median - kappa * sigma:
                low += 1
            if high - low == before:
                break
        out[k, 0] = median
        out[k, 1] = sigma
        out[k, 3] = high - low
    return out


@njit(cache=True, nogil=True)
def chebyshev_surface(coefficients: Array, ty: Array, tx: Array, out: Array) -> None:
    """sum c[i, j] T_i(ty) T_j(tx) on a grid, by Clenshaw's recurrence (Clenshaw 1955).

    coefficients : float64 (m, m). ty, tx : float64, places of rows and columns, -1 to 1.
    out : float32 (ty.size, tx.size), written here.
    """
    m = coefficients.shape[0]
    row = np.empty(m, np.float64)
    after, last = np.empty(tx.size), np.empty(tx.size)
    for y in range(ty.size):
        for j in range(m):
            b1, b2 = 0.0, 0.0
            for i in range(m - 1, 0, -1):
                b1, b2 = coefficients[i, j] + 2.0 * ty[y] * b1 - b2, b1
            row[j] = coefficients[0, j] + ty[y] * b1 - b2
        # All columns go one step of the recurrence at a time: that runs in vector instructions.
        after[:] = 0.0
        last[:] = 0.0
        for j in range(m - 1, 0, -1):
            for x in range(tx.size):
                before = row[j] + 2.0 * tx[x] * last[x] - after[x]
                after[x] = last[x]
                last[x] = before
        line = out[y]
        for x in range(tx.size):
            line[x] = row[0] + tx[x] * last[x] - after[x]


@njit(cache=True, nogil=True)
def _cubic(position: float, count: int, weights: Array) -> int:
    """First of the four nodes around a position, and their cubic-convolution weights."""
    first = min(max(math.floor(position) - 1, 0), count - 4)
    t = position - first - 1.0
    if 0.0 <= t <= 1.0:
        # Keys 1981, IEEE Trans. ASSP 29, 1153, with a = -1/2.
        weights[0] = ((-0.5 * t + 1.0) * t - 0.5) * t
        weights[1] = (1.5 * t - 2.5) * t * t + 1.0
        weights[2] = ((-1.5 * t + 2.0) * t + 0.5) * t
        weights[3] = (0.5 * t - 0.5) * t * t
    else:
        # At the rim: the cubic through the four outermost nodes (Lagrange).
        u = position - first
        weights[0] = -(u - 1.0) * (u - 2.0) * (u - 3.0) / 6.0
        weights[1] = u * (u - 2.0) * (u - 3.0) / 2.0
        weights[2] = -u * (u - 1.0) * (u - 3.0) / 2.0
        weights[3] = u * (u - 1.0) * (u - 2.0) / 6.0
    return first


@njit(cache=True, nogil=True)
def spread(nodes: Array, out: Array) -> None:
    """A smooth surface known on a coarse grid, at every pixel.

    nodes : float64 (m, n), both at least 4; the corner nodes are the centres of the corner
    pixels. out : float32 (height, width), written here.
    """
    m, n = nodes.shape
    height, width = out.shape
    line = np.empty(n, np.float64)
    weights = np.empty(4, np.float64)
    starts = np.empty(width, np.int64)
    taps = np.empty((width, 4), np.float64)
    for x in range(width):
        starts[x] = _cubic(x * (n - 1) / max(width - 1, 1), n, weights)
        taps[x] = weights
    for y in range(height):
        first = _cubic(y * (m - 1) / max(height - 1, 1), m, weights)
        for j in range(n):
            line[j] = (
                weights[0] * nodes[first, j]
                + weights[1] * nodes[first + 1, j]
                + weights[2] * nodes[first + 2, j]
                + weights[3] * nodes[first + 3, j]
            )
        for x in range(width):
            s = starts[x]
            out[y, x] = (
                taps[x, 0] * line[s]
                + taps[x, 1] * line[s + 1]
                + taps[x, 2] * line[s + 2]
                + taps[x, 3] * line[s + 3]
            )


@njit(cache=True, nogil=True, error_model="numpy")
def remove_surface(
    image: Array,
    surface: Array,
    flags: Array,
    bad: int,
    level: float,
    divide: bool,
    keep: bool,
    out: Array,
) -> None:
    """image - surface, or image * level / surface - level; plus level with `keep`.

    Pixels with a `bad` flag are left as they are. out : float32 (y, x), written here.
    """
    height, width = image.shape
    added = level if keep else 0.0
    for y in range(height):
        values, under, bits, target = image[y], surface[y], flags[y], out[y]
        if divide:
            for x in range(width):
                value = np.float64(values[x]) * level / under[x] - level + added
                target[x] = values[x] if bits[x] & bad else value
        else:
            for x in range(width):
                value = np.float64(values[x]) - under[x] + added
                target[x] = values[x] if bits[x] & bad else value


@njit(cache=True, nogil=True, error_model="numpy")
def extent(surface: Array, flags: Array, bad: int) -> tuple[float, float]:
    """Least and greatest value where no `bad` flag is; inf and -inf when there is no such place.

    surface, flags : float32 and uint8 (y, x).
    """
    width = surface.shape[1]
    low, high = np.full(width, np.inf, np.float32), np.full(width, -np.inf, np.float32)
    for y in range(surface.shape[0]):
        values, bits = surface[y], flags[y]
        for x in range(width):
            least = np.float32(np.inf) if bits[x] & bad else values[x]
            most = np.float32(-np.inf) if bits[x] & bad else values[x]
            low[x] = least if least < low[x] else low[x]
            high[x] = most if most > high[x] else high[x]
    return low.min(), high.max()
