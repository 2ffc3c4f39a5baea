"""The pixel loops of the resampler. `warp` is their public face and says what they promise."""

from __future__ import annotations

import numpy as np
from numba import njit

from coldframe.frame import Flag
from coldframe_steps.kernels.clamp import limit_above, limit_at, limit_below
from coldframe_steps.kernels.footprint import BAD, SATURATED, carried, is_bad
from coldframe_steps.kernels.mapping import map_row
from coldframe_steps.kernels.taps import LANES, fma, interpolate

BAD_SHARE = np.float32(0.1)
"""At most this share of the sum of |weight| may be missing; beyond it there is no data. Chosen on
simulated stars with a pixel missing anywhere: it keeps the error of the value as low as that of
interpolation with narrower kernels, for more pixels."""

AHEAD = 12
"""Rows of the output by which values are brought into the cache before they are used."""

_BLOCK = 256  # pixels worked on together: their weights stay in the first-level cache

_RIM, _OUTSIDE = -1.0, -2.0
RIM, OUTSIDE = np.uint8(64), np.uint8(128)
"""Besides the marks of `footprint`: some taps are beyond the edge; no pixel is near."""

_NO_DATA = np.uint8(Flag.NO_DATA)
_TRANSIENT = np.uint8(Flag.TRANSIENT)
_SATURATED = np.uint8(Flag.SATURATED)


@njit(cache=True, nogil=True)
def weigh(c, f, out, n):  # type: ignore[no-untyped-def]
    """Weights of the six taps at n sub-pixel positions; c : see `interpolation.coefficients`."""
    for k in range(3):
        e0, e1, e2, e3, e4 = c[k, 0], c[k, 1], c[k, 2], c[k, 3], c[k, 4]
        o0, o1, o2, o3, o4 = c[k, 5], c[k, 6], c[k, 7], c[k, 8], c[k, 9]
        first, last, whole = out[k], out[5 - k], np.float32(k == 2)
        for i in range(n):
            t = f[i] - np.float32(0.5)
            s = t * t
            even = fma(fma(fma(fma(e4, s, e3), s, e2), s, e1), s, e0)
            odd = t * fma(fma(fma(fma(o4, s, o3), s, o2), s, o1), s, o0)
            first[i] = whole if f[i] == 0.0 else even + odd
            last[i] = 0.0 if f[i] == 0.0 else even - odd


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
        elif clamp and count:
            around = near[:count]
            low, high = around.min(), around.max()
            if value > high:
                value = limit_above(value, low, high)
            elif value < low:
                value = limit_below(value, low, around)
        out[c, y0, x0] = value
    return np.uint8(0)


@njit(cache=True, nogil=True, error_model="numpy")
def _place(u, v, marks, skipped, shape, last, fx, fy, starts, ways):  # type: ignore[no-untyped-def]
    """Sub-pixel positions, first taps and ways of some pixels; returns the OR of the ways.

    u, v : float64 (n,), input positions. marks : flat, without the first `skipped` of the input.
    Filled in, n being rounded up to a multiple of LANES: fx, fy, float32; starts, int32, a place
    from where taps may be read whatever the way; ways, uint8: 0 where every tap can be used, else
    marks of `footprint`, RIM or OUTSIDE.
    """
    height, width = np.float64(shape[0]), np.float64(shape[1])
    n = u.size
    for i in range(n):
        fx[i] = u[i] - np.floor(u[i])
        fy[i] = v[i] - np.floor(v[i])
    for i in range(n):
        x, y = np.floor(u[i]), np.floor(v[i])
        within = (x >= -1.0) & (y >= -1.0) & (x < width) & (y < height)
        inside = (x >= 2.0) & (y >= 2.0) & (x <= width - 4.0) & (y <= height - 4.0)
        start = (y - 2.0) * width + (x - 2.0)
        start = start if inside & (start <= last) else _RIM if within else _OUTSIDE
        starts[i] = np.int32(start)
    fx[n:] = 0.0
    fy[n:] = 0.0
    starts[n:] = 0
    ahead = 2 * shape[1] + 2 - skipped
    some = np.uint8(0)
    for i in range(n):
        if starts[i] >= 0:
            ways[i] = marks[starts[i] + ahead]
        else:
            ways[i] = RIM if starts[i] == _RIM else OUTSIDE
            starts[i] = 0
        some |= ways[i]
    return some


@njit(cache=True, nogil=True, error_model="numpy")
def _distance(matrix, dense, norm, y, x, u, v, width):  # type: ignore[no-untyped-def]
    """How far apart in the input, as places of flat values, two pixels AHEAD rows apart are."""
    map_row(matrix, dense, norm, y, x, u[:1], v[:1])
    left, top = u[0], v[0]
    map_row(matrix, dense, norm, y + AHEAD, x, u[:1], v[:1])
    step = np.floor(v[0] - top) * width + np.floor(u[0] - left)
    return np.int64(step) if abs(step) < 1e9 else np.int64(0)


@njit(cache=True, nogil=True, error_model="numpy")
def resample(  # type: ignore[no-untyped-def]
    planes, flat, flags, marks, skipped, matrix, dense, norm, coef, clamp, near, y0, out, out_flags
):
    """Fill rows y0.. of the output: out float32 (c, h, nx), out_flags uint8 (h, nx).

    planes : float32 (c, height, width). flat : the same in one row. marks : uint8, flat,
    from `mark_footprints`, without the first `skipped` pixels of the input. coef : from `interpolation.coefficients`.
    near : float32 (c,), from `clamp.indifference`.
    """
    channels, height, width = planes.shape
    last = height * width - 5 * width - LANES  # the last first tap whose rows can be read
    nx = out.shape[2]
    starts, ways = np.empty(_BLOCK, np.int32), np.empty(_BLOCK, np.uint8)
    fx, fy = np.empty(_BLOCK, np.float32), np.empty(_BLOCK, np.float32)
    wx, wy = np.empty((6, _BLOCK), np.float32), np.empty((6, _BLOCK), np.float32)
    value, around = np.empty(_BLOCK, np.float32), np.empty(16, np.float32)
    # Strips of columns from top to bottom: of a turned picture few rows are in use at a time.
    for x0 in range(0, nx, _BLOCK):
        n = min(_BLOCK, nx - x0)
        full = -(-n // LANES) * LANES
        u, v = np.empty(n), np.empty(n)
        distance = _distance(matrix, dense, norm, y0 + out.shape[1] // 2, x0, u, v, width)
        for y in range(out.shape[1]):
            map_row(matrix, dense, norm, y + y0, x0, u, v)
            shape = height, width
            ahead = y % LANES, distance
            some = _place(u, v, marks, skipped, shape, last, fx, fy, starts, ways)
            weigh(coef, fx, wx, full)
            weigh(coef, fy, wy, full)
            for c in range(channels):
                if last >= 0:
                    plane = c * height * width
                    for i in range(0, full, LANES):
                        far = interpolate(
                            flat, starts, plane, width, wy, wx, i, near[c], ahead, value
                        )
                        if far and clamp:
                            for k in range(i, i + LANES):
                                if (far >> (k - i)) & 1:
                                    value[k] = limit_at(
                                        flat, starts[k] + plane, width, value[k], around
                                    )
                line = out[c, y, x0 : x0 + n]
                for i in range(n):
                    line[i] = value[i]
            bits = out_flags[y, x0 : x0 + n]
            for i in range(n):
                bits[i] = 0
            if not some:
                continue
            for i in range(n):
                way, x = ways[i], x0 + i
                if way == 0:
                    continue
                if way & OUTSIDE:
                    bits[i] = _NO_DATA
                    for c in range(channels):
                        out[c, y, x] = 0.0
                    continue
                flag = np.uint8(0)
                top, left = np.int64(np.floor(v[i])), np.int64(np.floor(u[i]))
                if way & (RIM | BAD | SATURATED):
                    flag = _careful(planes, flags, top, left, wx, wy, i, clamp, out, y, x, around)
                bits[i] = flag | carried(flags, top, left, fy[i], fx[i])


@njit(cache=True, nogil=True, error_model="numpy")
def pick_nearest(planes, flags, matrix, dense, norm, y0, out, out_flags):  # type: ignore[no-untyped-def]
    """As `resample`, copying value and flags of the nearest pixel."""
    channels, height, width = planes.shape
    nx = out.shape[2]
    u, v = np.empty(nx), np.empty(nx)
    for y in range(out.shape[1]):
        map_row(matrix, dense, norm, y + y0, np.int64(0), u, v)
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
