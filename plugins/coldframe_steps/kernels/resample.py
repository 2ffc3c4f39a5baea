"""The pixel loops of the resampler. `warp` is their public face and says what they promise."""

from __future__ import annotations

import numpy as np
from numba import njit

from coldframe.frame import Flag
from coldframe_steps.kernels.clamp import limit, limit_at
from coldframe_steps.kernels.footprint import BAD, SATURATED, carried, is_bad
from coldframe_steps.kernels.mapping import map_row
from coldframe_steps.kernels.taps import LANES, interpolate

BAD_SHARE = np.float32(0.1)
"""At most this share of the sum of |weight| may be missing; beyond it there is no data. Chosen on
simulated stars with a pixel missing anywhere: it keeps the error of the value as low as that of
interpolation with narrower kernels, for more pixels."""

_BLOCK = 256  # pixels worked on together: their weights stay in the first-level cache

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
def _careful(planes, flags, top, left, wx, wy, i, clamp, out, y0, x0, near):  # type: ignore[no-untyped-def]
    """One pixel with bad, saturated or missing pixels under its taps: fills out[:, y0, x0].

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
        for c in range(planes.shape[0]):
            out[c, y0, x0] = 0.0
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
            value = limit(value, near[:count])
        out[c, y0, x0] = value
    return np.uint8(0)


@njit(cache=True, nogil=True, error_model="numpy")
def resample(  # type: ignore[no-untyped-def]
    planes, flat, flags, marks, marks_y0, matrix, dense, norm, coef, clamp, y0, out, out_flags
):
    """Fill rows y0.. of the output: out float32 (c, h, nx), out_flags uint8 (h, nx).

    planes : float32 (c, height, width). flat : the same as (c, height * width). marks : uint8, from
    `mark_footprints`, beginning at input row marks_y0. coef : from `interpolation.coefficients`.
    """
    channels, height, width = planes.shape
    last = flat.shape[1] - 5 * width - LANES  # the last first tap whose rows can be read
    nx = out.shape[2]
    u, v = np.empty(nx), np.empty(nx)
    fx, fy = np.empty(_BLOCK, np.float32), np.empty(_BLOCK, np.float32)
    wx, wy = np.empty((6, _BLOCK), np.float32), np.empty((6, _BLOCK), np.float32)
    near = np.empty(16, np.float32)
    for y in range(out.shape[1]):
        map_row(matrix, dense, norm, y + y0, u, v)
        for x0 in range(0, nx, _BLOCK):
            n = min(_BLOCK, nx - x0)
            for i in range(n):
                fx[i] = u[x0 + i] - np.floor(u[x0 + i])
                fy[i] = v[x0 + i] - np.floor(v[x0 + i])
            for k in range(6):
                _weigh(coef[k], fx, wx[k], n)
                _weigh(coef[k], fy, wy[k], n)
            for i in range(n):
                x = x0 + i
                left, top = np.floor(u[x]), np.floor(v[x])
                if not (left >= -1.0 and top >= -1.0 and left < width and top < height):
                    out_flags[y, x] = _NO_DATA
                    for c in range(channels):
                        out[c, y, x] = 0.0
                    continue
                ix, iy = np.int64(left), np.int64(top)
                inside = ix >= 2 and iy >= 2 and ix <= width - 4 and iy <= height - 4
                start = (iy - 2) * width + ix - 2
                if not inside or start > last:
                    flag = _careful(planes, flags, iy, ix, wx, wy, i, clamp, out, y, x, near)
                    out_flags[y, x] = flag | carried(flags, iy, ix, fy[i], fx[i])
                    continue
                mark = marks[iy - marks_y0, ix]
                if mark & (BAD | SATURATED):
                    flag = _careful(planes, flags, iy, ix, wx, wy, i, clamp, out, y, x, near)
                else:
                    flag = np.uint8(0)
                    for c in range(channels):
                        value, least, most = interpolate(flat[c], start, width, wy, wx, i)
                        if clamp and (value < least or value > most):
                            value = limit_at(flat[c], start, width, value, near)
                        out[c, y, x] = value
                if mark:
                    flag |= carried(flags, iy, ix, fy[i], fx[i])
                out_flags[y, x] = flag


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
