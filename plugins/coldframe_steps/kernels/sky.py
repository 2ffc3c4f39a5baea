"""Pixel loops of the sky under stars: its level and noise in boxes, and its removal.

The sky is told by boxes of a mesh (Bertin & Arnouts 1996, A&AS 117, 393) and taken to run smoothly
between their centres. On a CFA mosaic each of the four colour positions has a mesh of its own.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from coldframe.loops import BARE, INNER
from coldframe_steps.kernels.ordering import sort_floats
from coldframe_steps.kernels.stars import fill_row, smooth_row, unusable

KAPPA = 3.0
ROUNDS = 12
RIM = 2
"""Nodes that a mesh needs beyond the frame on each side, so that four are around every pixel."""


@njit(**BARE)
def _judge(values, n):  # type: ignore[no-untyped-def]
    """Level and noise of roughly sorted values of a box: see `mesh_sky`."""
    low, high = 0, n
    for _ in range(ROUNDS):
        count = high - low
        middle = np.float64(values[low + count // 2])
        sigma = middle - np.float64(values[low + int(0.1587 * count)])
        while high - low > 8 and values[high - 1] > middle + KAPPA * sigma:
            high -= 1
        while high - low > 8 and values[low] < middle - KAPPA * sigma:
            low += 1
        if high - low == count:
            break
    count = high - low
    first, last = low + count // 4, high - count // 4
    level = 0.0
    for i in range(first, last):
        level += values[i]
    level /= max(last - first, 1)
    below, squares = 0, 0.0
    for i in range(low, high):
        if values[i] >= level:
            break
        squares += (values[i] - level) ** 2
        below += 1
    return level, math.sqrt(squares / below) if below else 0.0


@njit(cache=True, nogil=True)
def mesh_sky(image, flags, step, rows, columns, least, out):  # type: ignore[no-untyped-def]
    """Sky in the boxes of a mesh, colour position by colour position.

    Pixels far from a box's median are clipped, at 3 sigma on both sides until nothing changes,
    sigma being what lies between the median and the 15.87% quantile, since stars only brighten.
    The level is the mean of the middle half of what is left, the noise the root mean square of
    what lies below the level: neither is coarser than the noise where pixels are whole numbers.

    Parameters
    ----------
    image : float32 (y, x). flags : uint8 (y, x).
    step : 2 for a CFA mosaic, else 1, where every other row is looked at.
    rows, columns : int64 (m + 1,), (n + 1,), where the boxes begin and end; even numbers.
    least : a box with fewer usable pixels, as a share of them all, is left at NaN.
    out : float64 (step * step, m, n, 2), filled with level and noise (ADU).
    """
    most = 1
    for j in range(rows.size - 1):
        for k in range(columns.size - 1):
            most = max(most, 1 + (rows[j + 1] - rows[j]) * (columns[k + 1] - columns[k]))
    values, room = np.empty(most, np.float32), np.empty((2, most), np.uint32)
    counts = np.empty(2048, np.uint32)
    for j in range(rows.size - 1):
        for k in range(columns.size - 1):
            for phase in range(step * step):
                dy, dx = phase // step, phase % step
                n, there = np.int64(0), 0
                for y in range(rows[j] + dy, rows[j + 1], 2):
                    for x in range(columns[k] + dx, columns[k + 1], step):
                        there += 1
                        values[n] = image[y, x]
                        n += not unusable(flags[y, x]) and math.isfinite(image[y, x])
                if n == 0 or n < least * there:
                    out[phase, j, k] = np.nan
                    continue
                sort_floats(values, n, room, counts, np.int64(2))
                level, noise = _judge(values, n)
                out[phase, j, k, 0] = level
                out[phase, j, k, 1] = noise


@njit(**BARE)
def _blend(t, weights):  # type: ignore[no-untyped-def]
    """Cubic-convolution weights (Keys 1981, a = -1/2) of four nodes, t beyond the second."""
    weights[0] = ((-0.5 * t + 1.0) * t - 0.5) * t
    weights[1] = (1.5 * t - 2.5) * t * t + 1.0
    weights[2] = ((-1.5 * t + 2.0) * t + 0.5) * t
    weights[3] = (0.5 * t - 0.5) * t * t


@njit(**INNER)
def _sky_row(mesh, position, pitch, line, out):  # type: ignore[no-untyped-def]
    """The sky along a row. mesh : float64 (m, n), with RIM nodes on each side.

    position : of the row in nodes. pitch : px between columns of nodes. out : float32 (x,).
    """
    weights = np.empty(4)
    top = min(max(math.floor(position), 1), mesh.shape[0] - 3)
    _blend(position - top, weights)
    for k in range(line.size):
        line[k] = 0.0
        for j in range(4):
            line[k] += weights[j] * mesh[top - 1 + j, k]
    start = 0
    for k in range(1, line.size - 2):
        # Node k lies at pixel (k - RIM + 1/2) pitch - 1/2.
        origin = (k - RIM + 0.5) * pitch - 0.5
        stop = out.size if k == line.size - 3 else min(math.ceil(origin + pitch), out.size)
        a, b, c, d = line[k - 1], line[k], line[k + 1], line[k + 2]
        c0, c1 = np.float32(b), np.float32(0.5 * (c - a))
        c2 = np.float32(a - 2.5 * b + 2.0 * c - 0.5 * d)
        c3 = np.float32(0.5 * (d - a) + 1.5 * (b - c))
        part = out[start : max(stop, start)]
        shrink, first = np.float32(1.0 / pitch), np.float32((start - origin) / pitch)
        for i in range(part.size):
            t = first + np.float32(i) * shrink
            part[i] = ((c3 * t + c2) * t + c1) * t + c0
        start = max(stop, start)


@njit(cache=True, nogil=True)
def flatten(image, flags, meshes, pitch_y, pitch_x, sharp, soft):  # type: ignore[no-untyped-def]
    """Take the sky off an image, fill in unusable pixels and smooth it, row by row.

    Parameters
    ----------
    image, flags : float32 and uint8 (y, x).
    meshes : float64 (step * step, m, n), levels with RIM nodes beyond the frame on each side.
    pitch_y, pitch_x : px between nodes.
    sharp, soft : float32 (y, x), filled in: without sky and whole, and the same smoothed; see
        `stars.fill_row` and `stars.smooth_row`.
    """
    height, width = image.shape
    step = 2 if meshes.shape[0] == 4 else 1
    sky, line = np.empty((step, width), np.float32), np.empty(meshes.shape[2])
    room = np.empty(width, np.float32)
    holes = np.zeros(height, np.bool_)
    for y in range(height + step + 1):
        if y < height:
            position = (y + 0.5) / pitch_y - 0.5 + RIM
            for dx in range(step):
                phase = (y % step) * step + dx
                _sky_row(meshes[phase], position, pitch_x, line, sky[dx])
            bad = False
            here, bits, target = image[y], flags[y], sharp[y]
            even, odd = sky[0], sky[step - 1]
            for x in range(width):
                value = here[x] - (odd[x] if x & 1 else even[x])
                target[x] = value
                bad |= unusable(bits[x]) | (value - value != 0.0)
            holes[y] = bad
        if step <= y < height + step and holes[y - step]:
            fill_row(sharp, flags, step, y - step)
        if y > step:
            smooth_row(sharp, y - step - 1, room, soft[y - step - 1])
