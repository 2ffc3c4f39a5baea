"""The pixel loops of the resampler. `warp` is their public face and says what they promise."""

from __future__ import annotations

import numpy as np
from numba import njit

from coldframe.frame import Flag
from coldframe_steps.kernels.clamp import find_outside, limit, limit_at, outside
from coldframe_steps.kernels.footprint import BAD, SATURATED, carried, is_bad
from coldframe_steps.kernels.mapping import map_row

BAD_SHARE = np.float32(0.1)
"""At most this share of the sum of |weight| may be missing; beyond it there is no data. Chosen on
simulated stars with a pixel missing anywhere: it keeps the error of the value as low as that of
interpolation with narrower kernels, for more pixels."""

EDGE, SUSPECT = 64, 128
"""States of a pixel besides the marks of `footprint`: taps beyond the edge; may need a clamp."""

_BLOCK = 256  # pixels worked on together: their weights stay in the first-level cache
_SHORT = 12  # a shorter run of neighbours is not worth a vector loop

_NO_DATA = np.uint8(Flag.NO_DATA)
_TRANSIENT = np.uint8(Flag.TRANSIENT)
_SATURATED = np.uint8(Flag.SATURATED)


@njit(cache=True, nogil=True)
def _weigh(c, f, out, n):  # type: ignore[no-untyped-def]
    """Weights of one tap (polynomial c) at n sub-pixel positions."""
    c0, c1, c2, c3, c4 = c[0], c[1], c[2], c[3], c[4]
    c5, c6, c7, c8, c9 = c[5], c[6], c[7], c[8], c[9]
    for i in range(n):
        t = f[i]
        high = (((c9 * t + c8) * t + c7) * t + c6) * t + c5
        out[i] = ((((high * t + c4) * t + c3) * t + c2) * t + c1) * t + c0


@njit(cache=True, nogil=True)
def _run(source, width, wx, wy, i0, i1, out):  # type: ignore[no-untyped-def]
    """Interpolate neighbours whose taps are neighbours too: all loads are side by side.

    source : float32, flat, from the first tap of the first pixel. The order of the sums is that of
    `_single`, so that both give the same bits.
    """
    n = i1 - i0
    # One-dimensional slices keep the compiler sure that neighbours are adjacent in memory.
    a0, a1, a2 = wx[0][i0:i1], wx[1][i0:i1], wx[2][i0:i1]
    a3, a4, a5 = wx[3][i0:i1], wx[4][i0:i1], wx[5][i0:i1]
    for i in range(n):
        out[i] = 0.0
    for j in range(6):
        r = source[j * width :]
        w = wy[j][i0:i1]
        for i in range(n):
            s = a0[i] * r[i] + a1[i] * r[i + 1] + a2[i] * r[i + 2]
            s = s + a3[i] * r[i + 3] + a4[i] * r[i + 4] + a5[i] * r[i + 5]
            out[i] += w[i] * s


@njit(cache=True, nogil=True)
def _single(source, start, width, wx, wy, i):  # type: ignore[no-untyped-def]
    """Interpolate one pixel whose first tap is source[start]."""
    a0, a1, a2, a3, a4, a5 = wx[0, i], wx[1, i], wx[2, i], wx[3, i], wx[4, i], wx[5, i]
    total = np.float32(0.0)
    for j in range(6):
        k = start + j * width
        s = a0 * source[k] + a1 * source[k + 1] + a2 * source[k + 2]
        s = s + a3 * source[k + 3] + a4 * source[k + 4] + a5 * source[k + 5]
        total += wy[j, i] * s
    return total


@njit(cache=True, nogil=True)
def _interpolate(flat, width, base, wx, wy, n, clamp, values, state, low, high):  # type: ignore[no-untyped-def]
    """Fill `values` of the pixels whose taps all lie in the frame (base >= 0)."""
    i = 0
    while i < n:
        end = i + 1
        while end < n and base[end] == base[end - 1] + 1:
            end += 1
        if base[i] >= 0 and end - i >= _SHORT:
            for c in range(flat.shape[0]):
                source = flat[c][base[i] :]
                _run(source, width, wx, wy, i, end, values[c][i:end])
                if clamp:
                    v, s = values[c][i:end], state[i:end]
                    find_outside(source, width, v, s, SUSPECT, low, high)
        elif base[i] >= 0:
            for c in range(flat.shape[0]):
                for k in range(i, end):
                    value = _single(flat[c], base[k], width, wx, wy, k)
                    values[c, k] = value
                    if clamp and outside(flat[c], base[k], width, value):
                        state[k] |= SUSPECT
        i = end


@njit(cache=True, nogil=True)
def _careful(planes, flags, top, left, wx, wy, i, clamp, values, near):  # type: ignore[no-untyped-def]
    """One pixel with bad, saturated or missing pixels under its taps: fills values[:, i].

    Returns 0 when the taps that can be used carry enough of the weight; else NO_DATA, with
    TRANSIENT when that is among what was lost.
    """
    height, width = flags.shape
    all_x = np.float32(0.0)
    all_y = np.float32(0.0)
    for k in range(6):
        all_x += abs(wx[k, i])
        all_y += abs(wy[k, i])
    used = np.float32(0.0)
    total = np.float32(0.0)
    saturated = False
    lost = np.uint8(0)
    for j in range(6):
        y = top + j - 2
        for k in range(6):
            x = left + k - 2
            w = wy[j, i] * wx[k, i]
            if w == 0.0 or y < 0 or x < 0 or y >= height or x >= width:
                continue
            if is_bad(flags[y, x]):
                lost |= flags[y, x] & _TRANSIENT
                continue
            used += abs(w)
            total += w
            saturated |= (flags[y, x] & _SATURATED) != 0
    if not used >= (np.float32(1.0) - BAD_SHARE) * all_x * all_y:
        for c in range(values.shape[0]):
            values[c, i] = 0.0
        return lost | _NO_DATA
    for c in range(planes.shape[0]):
        value = np.float32(0.0)
        least, most = np.float32(np.inf), np.float32(-np.inf)
        count = 0
        for j in range(6):
            y = top + j - 2
            for k in range(6):
                x = left + k - 2
                if y < 0 or x < 0 or y >= height or x >= width or is_bad(flags[y, x]):
                    continue
                p = planes[c, y, x]
                value += wy[j, i] * wx[k, i] * p
                if 1 <= j <= 4 and 1 <= k <= 4:
                    near[count] = p
                    count += 1
                if 2 <= j <= 3 and 2 <= k <= 3:
                    least, most = min(least, p), max(most, p)
        value /= total
        if clamp and saturated:
            value = min(max(value, least), most)
        elif clamp and (value < least or value > most):
            value = limit(value, near, count)
        values[c, i] = value
    return np.uint8(0)


@njit(cache=True, nogil=True)
def _finish(planes, flat, flags, u, v, wx, wy, i, base, state, clamp, values, near):  # type: ignore[no-untyped-def]
    """Set right pixel i of a block, which has something unusual (`state`); returns its flag."""
    height, width = flags.shape
    if not (u >= -1.0 and v >= -1.0 and u < width and v < height):
        for c in range(values.shape[0]):
            values[c, i] = 0.0
        return _NO_DATA
    top, left = np.int64(np.floor(v)), np.int64(np.floor(u))
    flag = np.uint8(0)
    if state & (EDGE | BAD | SATURATED):
        flag = _careful(planes, flags, top, left, wx, wy, i, clamp, values, near)
    elif state & SUSPECT:
        for c in range(planes.shape[0]):
            values[c, i] = limit_at(flat[c], base, width, values[c, i], near)
    if state != SUSPECT:
        flag |= carried(flags, top, left, np.float32(v - top), np.float32(u - left))
    return flag


@njit(cache=True, nogil=True, error_model="numpy")
def resample(planes, flat, flags, marks, marks_y0, matrix, dense, norm, coef, clamp, y0, out, out_flags):  # type: ignore[no-untyped-def]
    """Fill rows y0.. of the output: out float32 (c, h, nx), out_flags uint8 (h, nx).

    planes : float32 (c, height, width). flat : the same as (c, height * width). marks : flat, from
    `mark_footprints`, beginning at input row marks_y0. coef : from `interpolation.coefficients`.
    """
    channels, height, width = planes.shape
    shift = (2 - marks_y0) * width + 2  # from a pixel's first tap to its mark
    nx = out.shape[2]
    u, v = np.empty(nx), np.empty(nx)
    fx, fy = np.empty(_BLOCK, np.float32), np.empty(_BLOCK, np.float32)
    wx, wy = np.empty((6, _BLOCK), np.float32), np.empty((6, _BLOCK), np.float32)
    base = np.empty(_BLOCK, np.int64)
    state = np.empty(_BLOCK, np.uint8)
    values = np.empty((channels, _BLOCK), np.float32)
    low, high = np.empty(_BLOCK + 3, np.float32), np.empty(_BLOCK + 3, np.float32)
    near = np.empty(16, np.float32)
    # A field turned by 180 deg is walked backwards, so that its neighbours still come in order.
    backwards = matrix[0, 0] * matrix[2, 2] < 0.0
    for y in range(out.shape[1]):
        map_row(matrix, dense, norm, y + y0, u, v)
        if backwards:
            for x in range(nx // 2):
                u[x], u[nx - 1 - x] = u[nx - 1 - x], u[x]
                v[x], v[nx - 1 - x] = v[nx - 1 - x], v[x]
        for x0 in range(0, nx, _BLOCK):
            n = min(_BLOCK, nx - x0)
            for i in range(n):
                left, top = np.floor(u[x0 + i]), np.floor(v[x0 + i])
                fx[i] = u[x0 + i] - left
                fy[i] = v[x0 + i] - top
                inside = (left >= 2.0) & (left <= width - 4.0)
                inside &= (top >= 2.0) & (top <= height - 4.0)
                base[i] = np.int64(top - 2.0) * width + np.int64(left - 2.0) if inside else -9
            for i in range(n):
                state[i] = marks[base[i] + shift] if base[i] >= 0 else EDGE
            for k in range(6):
                _weigh(coef[k], fx, wx[k], n)
                _weigh(coef[k], fy, wy[k], n)
            _interpolate(flat, width, base, wx, wy, n, clamp, values, state, low, high)
            first, step = (nx - 1 - x0, -1) if backwards else (x0, 1)
            for i in range(n):
                flag = np.uint8(0)
                if state[i]:
                    flag = _finish(
                        planes, flat, flags, u[x0 + i], v[x0 + i], wx, wy, i, base[i], state[i],
                        clamp, values, near,
                    )  # fmt: skip
                out_flags[y, first + step * i] = flag
            for c in range(channels):
                for i in range(n):
                    out[c, y, first + step * i] = values[c, i]


@njit(cache=True, nogil=True, error_model="numpy")
def pick_nearest(planes, flags, matrix, dense, norm, y0, out, out_flags):  # type: ignore[no-untyped-def]
    """As `resample`, copying value and flags of the nearest pixel."""
    channels, height, width = planes.shape
    nx = out.shape[2]
    u, v = np.empty(nx), np.empty(nx)
    for y in range(out.shape[1]):
        map_row(matrix, dense, norm, y + y0, u, v)
        for x in range(nx):
            left, top = np.floor(u[x] + 0.5), np.floor(v[x] + 0.5)
            if left >= 0.0 and top >= 0.0 and left < width and top < height:
                iy, ix = np.int64(top), np.int64(left)
                out_flags[y, x] = flags[iy, ix]
                for c in range(channels):
                    out[c, y, x] = planes[c, iy, ix]
            else:
                out_flags[y, x] = _NO_DATA
                for c in range(channels):
                    out[c, y, x] = 0.0
