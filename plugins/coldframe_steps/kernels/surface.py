"""Loops of the background fit: sky in boxes, smooth surfaces at every pixel, their removal."""

from __future__ import annotations

import numpy as np
from numba import njit

from coldframe.frame import Array
from coldframe.loops import ENTRY
from coldframe.selection import finite_first
from coldframe_steps.kernels.ordering import sort_floats
from coldframe_steps.kernels.simd import WIDE, f32, f64, load, store

ROUNDS = 12
TERMS = 5
"""Chebyshev polynomials that a surface has in each direction, at most."""


def box_sky(
    image: Array,
    flags: Array,
    bad: int,
    y0: Array,
    x0: Array,
    size: int,
    kappa: float,
    slopes: Array | None = None,
) -> Array:
    """Robust sky in square boxes.

    Parameters
    ----------
    image, flags : float32 and uint8, (y, x). Pixels with a `bad` flag are left out.
    y0, x0 : int64 (n,), first row and column of each box. size : rows and columns of a box.
    kappa : clip this many sigmas on both sides of the median until nothing changes. Sigma is the
        distance from the median down to the 15.87% quantile: stars only ever brighten.
    slopes : float64 (n, 2), what a pixel down and a pixel to the right add in each box: taken off
        about the box's centre first, so that a steep sky is no noise. None for none.

    Returns
    -------
    float64 (n, 4): median of what is left, its sigma, number of usable pixels, number left.
    """
    out = np.zeros((y0.size, 4), np.float64)
    buffer, room = np.empty(size * size, np.float32), np.empty((2, size * size), np.uint32)
    counts = np.empty(2048, np.uint32)
    tilts = np.zeros((y0.size, 2)) if slopes is None else np.ascontiguousarray(slopes, np.float64)
    _measure(image, flags, bad, y0, x0, size, kappa, tilts, buffer, room, counts, out)
    return out


@njit(**ENTRY)
def _measure(  # type: ignore[no-untyped-def]
    image, flags, bad, y0, x0, size, kappa, slopes, buffer, room, counts, out
):
    """See `box_sky`. buffer : float32 (size * size,). room, counts : see `sort_floats`."""
    height, width = image.shape
    middle = 0.5 * (size - 1)
    for k in range(y0.size):
        count = np.int64(0)
        left, right = max(0, x0[k]), min(width, x0[k] + size)
        for y in range(max(0, y0[k]), min(height, y0[k] + size)):
            values, bits = image[y, left:right], flags[y, left:right]
            line = buffer[count : count + values.size]
            along = np.float32(slopes[k, 1])
            off = np.float32(slopes[k, 0] * (y - y0[k] - middle) - slopes[k, 1] * middle)
            off += along * np.float32(left - x0[k])
            for x in range(values.size):
                value = values[x] - (off + along * np.float32(x))
                line[x] = np.float32(np.nan) if bits[x] & bad else value
            count += values.size
        count = finite_first(buffer, count)
        out[k, 2] = count
        if count < 8:
            continue
        sort_floats(buffer, count, room, counts, np.int64(3))
        low, high = 0, count
        median, sigma = 0.0, 0.0
        for _ in range(ROUNDS):
            n = high - low
            half = low + n // 2
            median = np.float64(buffer[half])
            if n % 2 == 0:
                median = 0.5 * (median + np.float64(buffer[half - 1]))
            sigma = median - np.float64(buffer[low + int(0.1587 * n)])
            before = n
            while high - low > 8 and buffer[high - 1] > median + kappa * sigma:
                high -= 1
            while high - low > 8 and buffer[low] < median - kappa * sigma:
                low += 1
            if high - low == before:
                break
        out[k, 0] = median
        out[k, 1] = sigma
        out[k, 3] = high - low


@njit(**ENTRY)
def chebyshev_surface(coefficients: Array, ty: Array, tx: Array, row: Array, out: Array) -> None:
    """sum c[i, j] T_i(ty) T_j(tx) on a grid, by Clenshaw's recurrence (Clenshaw 1955).

    coefficients : float64 (TERMS, TERMS), 0 where a surface of lower order has none.
    ty, tx : float64, places of rows and columns, -1 to 1. row : float64 (TERMS,), room.
    out : float32 (ty.size, tx.size), written here.
    """
    for y in range(ty.size):
        for j in range(TERMS):
            b1, b2 = 0.0, 0.0
            for i in range(TERMS - 1, 0, -1):
                b1, b2 = coefficients[i, j] + 2.0 * ty[y] * b1 - b2, b1
            row[j] = coefficients[0, j] + ty[y] * b1 - b2
        c0, c1, c2, c3, c4 = row[0], row[1], row[2], row[3], row[4]
        line = out[y]
        # The recurrence written out has no loop in the loop, and runs in vector instructions.
        for x in range(tx.size):
            t = tx[x]
            b3 = c3 + 2.0 * t * c4
            b2 = c2 + 2.0 * t * b3 - c4
            b1 = c1 + 2.0 * t * b2 - b3
            line[x] = c0 + t * b1 - b2


@njit(**ENTRY)
def spread(
    nodes: Array,
    top: Array,
    down: Array,
    left: Array,
    across: Array,
    line: Array,
    row: Array,
    out: Array,
) -> None:
    """A smooth surface known on a coarse grid, at every pixel of some rows.

    nodes : float64 (m, n). top, left : int64 (height,), (width,), first of the four nodes around a
    row or column, ascending. down, across : float64 (height, 4) and (4, width + WIDE), weights of
    the four; the last WIDE columns mean nothing. line, row : float64 (n,), float32 (width + WIDE,),
    room. out : float32 (height, width), written here.
    """
    height, width = out.shape
    pitch, weights = row.size, across.reshape(-1)
    for y in range(height):
        k = top[y]
        for j in range(line.size):
            line[j] = (
                down[y, 0] * nodes[k, j]
                + down[y, 1] * nodes[k + 1, j]
                + down[y, 2] * nodes[k + 2, j]
                + down[y, 3] * nodes[k + 3, j]
            )
        x = 0
        while x < width:
            s = left[x]
            a, b, c, d = f64(line[s]), f64(line[s + 1]), f64(line[s + 2]), f64(line[s + 3])
            # Pixels between the same nodes; those after them are written over by the next.
            while x < width and left[x] == s:
                value = load(weights, x) * a + load(weights, pitch + x) * b
                value = value + load(weights, 2 * pitch + x) * c
                store(row, x, f32(value + load(weights, 3 * pitch + x) * d))
                x += WIDE
            x = min(x, width)
            while left[x - 1] != s:
                x -= 1
        target = out[y]
        for x in range(width):
            target[x] = row[x]


@njit(**ENTRY, error_model="numpy")
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


@njit(**ENTRY)
def extent(surface: Array, flags: Array, bad: int, low: Array, high: Array) -> None:
    """Lower and raise the least and greatest value of each column where no `bad` flag is.

    surface, flags : float32 and uint8 (y, x). low, high : float32 (x,). Columns do not wait for
    each other: that runs in vector instructions.
    """
    for y in range(surface.shape[0]):
        values, bits = surface[y], flags[y]
        for x in range(values.size):
            least = np.float32(np.inf) if bits[x] & bad else values[x]
            most = np.float32(-np.inf) if bits[x] & bad else values[x]
            low[x] = least if least < low[x] else low[x]
            high[x] = most if most > high[x] else high[x]
