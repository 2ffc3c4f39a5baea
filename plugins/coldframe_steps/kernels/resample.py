"""The pixel loops of the resampler. `warp` is their public face and says what they promise."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from coldframe.frame import Array, Flag
from coldframe.loops import BARE, ENTRY
from coldframe_steps.kernels.footprint import BAD, SATURATED, carried, is_bad
from coldframe_steps.kernels.gathers import gather
from coldframe_steps.kernels.mapping import map_row
from coldframe_steps.kernels.ringing import limit_above, limit_at, limit_below
from coldframe_steps.kernels.simd import (
    EVERY,
    WIDE,
    f32,
    f64,
    floor,
    fused,
    i32,
    in_order,
    lanes_of,
    load,
    lowest,
    prefetch,
    store,
    u8,
    where,
)
from coldframe_steps.kernels.taps import READ, interpolate

BAD_SHARE = np.float32(0.1)
"""At most this share of the sum of |weight| may be missing; beyond it there is no data. Chosen on
simulated stars with a pixel missing anywhere: it keeps the error of the value as low as that of
interpolation with narrower kernels, for more pixels."""

AHEAD = 16
"""Rows of the output by which values are brought into the cache before they are used."""

_BLOCK = 512  # pixels worked on together: their weights stay in a fast cache

RIM, OUTSIDE = np.uint8(64), np.uint8(128)
"""Besides the marks of `footprint`: some taps are beyond the edge; no pixel is near."""

_NO_DATA = np.uint8(Flag.NO_DATA)
_TRANSIENT = np.uint8(Flag.TRANSIENT)
_SATURATED = np.uint8(Flag.SATURATED)


class Room(NamedTuple):
    """Room to work in, for `_BLOCK` pixels of a row.

    u, v : float64, input positions. fx, fy : float32, parts of a pixel. wx, wy : float32 (6, n),
    weights. starts, rows, columns, int32, and ways, uint8 : see `_place`. value : float32. around : float32 (16,).
    """

    u: Array
    v: Array
    fx: Array
    fy: Array
    wx: Array
    wy: Array
    starts: Array
    rows: Array
    columns: Array
    ways: Array
    value: Array
    bits: Array
    around: Array

    @classmethod
    def empty(cls) -> Room:
        u, v = np.empty((2, _BLOCK))
        fx, fy, value = np.empty((3, _BLOCK), np.float32)
        wx, wy = np.empty((2, 6, _BLOCK), np.float32)
        starts, rows, columns = np.empty((3, _BLOCK), np.int32)
        ways, bits = np.empty((2, _BLOCK), np.uint8)
        around = np.empty(16, np.float32)
        return cls(u, v, fx, fy, wx, wy, starts, rows, columns, ways, value, bits, around)


@njit(**ENTRY)
def weigh(c, f, out):  # type: ignore[no-untyped-def]
    """Weights of the six taps at n sub-pixel positions; c : see `interpolation.coefficients`.

    f : float32 (n,), n a multiple of WIDE. out : float32 (6, n or more).
    """
    pitch, n = out.shape[1], f.size
    for k in range(3):
        e0, e1, e2, e3, e4 = f32(c[k, 0]), f32(c[k, 1]), f32(c[k, 2]), f32(c[k, 3]), f32(c[k, 4])
        o0, o1, o2, o3, o4 = f32(c[k, 5]), f32(c[k, 6]), f32(c[k, 7]), f32(c[k, 8]), f32(c[k, 9])
        for i in range(0, n, WIDE):
            t = load(f, i) - f32(np.float32(0.5))
            s = t * t
            even = fused(fused(fused(fused(e4, s, e3), s, e2), s, e1), s, e0)
            odd = t * fused(fused(fused(fused(o4, s, o3), s, o2), s, o1), s, o0)
            store(out, k * pitch + i, even + odd)
            store(out, (5 - k) * pitch + i, even - odd)
    for i in range(0, n, WIDE):
        exact = load(f, i) == f32(np.float32(0.0))
        if lanes_of(exact) != 0:
            for k in range(6):
                weight = f32(np.float32(k == 2))
                store(out, k * pitch + i, where(exact, weight, load(out, k * pitch + i)))


@njit(**BARE)
def _careful(planes, flags, top, left, room, i, limit_ringing, out, y0, x0):  # type: ignore[no-untyped-def]
    """One pixel with bad, saturated or missing pixels under its taps: fills out[:, y0, x0].

    Returns 0 when the taps that can be used carry enough of the weight; else NO_DATA, with
    TRANSIENT when that is among what was lost.
    """
    height, width = flags.shape
    wx, wy, near = room.wx, room.wy, room.around
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
        low, high = least, most
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
                    low, high = min(low, p), max(high, p)
                if 2 <= j <= 3 and 2 <= k <= 3:
                    least, most = min(least, p), max(most, p)
        value /= total
        if limit_ringing and saturated:
            value = min(max(value, least), most)
        elif limit_ringing and count:
            if value > high:
                value = limit_above(value, low, high)
            elif value < low:
                value = limit_below(value, low, near[:count])
        out[c, y0, x0] = value
    return np.uint8(0)


@njit(**BARE, error_model="numpy")
def _place(u, v, marks, skipped, shape, distance, fx, fy, room):  # type: ignore[no-untyped-def]
    """Sub-pixel positions, first taps and ways of some pixels; whether any is not OUTSIDE.

    u, v : float64 (n,), input positions; n a multiple of WIDE. marks : from `mark_footprints`,
    without the first `skipped` of the input. distance : to marks that will be needed later.
    Filled in: fx, fy, float32; in `room` rows, columns, the first tap of pixels that are not
    OUTSIDE; starts, its place, or one from where taps may be read whatever the way; ways: 0 where
    every tap can be used, else marks of `footprint`, RIM or OUTSIDE.
    """
    starts, rows, columns, ways = room.starts, room.rows, room.columns, room.ways
    some = False
    height, width = i32(np.int32(shape[0])), i32(np.int32(shape[1]))
    middle = 2 * shape[1] + 2 - skipped  # from a first tap to its mark
    least, most = i32(np.int32(-middle)), i32(np.int32(min(_last(shape), marks.size - 4 - middle)))
    none, two, edge, six = i32(np.int32(0)), i32(np.int32(2)), i32(np.int32(-3)), i32(np.int32(6))
    for i in range(0, u.size, WIDE):
        x, y = load(u, i), load(v, i)
        left, top = floor(x), floor(y)
        part_x, part_y = f32(x - left), f32(y - top)
        store(fx, i, part_x)
        store(fy, i, part_y)
        column, row = _whole(left) - two, _whole(top) - two
        store(columns, i, column)
        store(rows, i, row)
        start = row * width + column
        inside = (column >= none) & (row >= none) & (start >= least) & (start <= most)
        inside = inside & (column <= width - six) & (row <= height - six)
        inside = inside & (part_x == part_x) & (part_y == part_y)  # no number is nowhere
        start = where(inside, start, none)
        store(starts, i, start)
        if lanes_of(inside) == EVERY:
            some = True
            place = np.int64(starts[i]) + middle
            prefetch(marks, place + distance)
            if in_order(start):
                store(ways, i, load(marks, place))
            else:
                store(ways, i, u8(gather(marks, start + i32(np.int32(middle)))))
            continue
        mark = u8(gather(marks, where(inside, start + i32(np.int32(middle)), none)))
        near = (column >= edge) & (row >= edge) & (part_x == part_x) & (part_y == part_y)
        near = near & (column < width - two) & (row < height - two)
        store(ways, i, where(inside, mark, where(near, u8(RIM), u8(OUTSIDE))))
        some = some or lanes_of(near) != 0
    return some


@njit(**BARE)
def _whole(v):  # type: ignore[no-untyped-def]
    """f64 to i32, what is far outside any frame cut off; NaN as well."""
    least, most = f64(-1e9), f64(1e9)
    v = where(v > least, v, least)
    return i32(where(v < most, v, most))


@njit(**BARE)
def _last(shape):  # type: ignore[no-untyped-def]
    """The last place of a first tap all of whose rows can be read, as `interpolate` reads them."""
    return shape[0] * shape[1] - 5 * shape[1] - READ


@njit(**BARE, error_model="numpy")
def _distance(matrix, dense, norm, y, x, u, v, width):  # type: ignore[no-untyped-def]
    """How far apart in the input, as places of flat values, two pixels AHEAD rows apart are."""
    map_row(matrix, dense, norm, y, x, u[:WIDE], v[:WIDE])
    left, top = u[0], v[0]
    map_row(matrix, dense, norm, y + AHEAD, x, u[:WIDE], v[:WIDE])
    step = np.floor(v[0] - top) * width + np.floor(u[0] - left)
    return np.int64(step) if abs(step) < 1e9 else np.int64(0)


@njit(**BARE, error_model="numpy")
def _sum(flat, plane, size, width, room, full, near, ahead, value):  # type: ignore[no-untyped-def]
    """Fill `value`, float32, with `full` pixels of one plane, which begins at flat[plane].

    near : from `ringing.indifference`, or infinite for no limit. ahead : see `taps.interpolate`.
    """
    starts, rows, columns = room.starts, room.rows, room.columns
    nothing = f32(np.float32(0.0))
    for i in range(0, full, WIDE):
        outside = load(room.ways, i) == u8(OUTSIDE)
        if lanes_of(outside) == EVERY:
            store(value, i, nothing)
            continue
        far = interpolate(
            flat, plane, size, width, starts, rows, columns, room.wy, room.wx, i, near, ahead, value
        )
        while far != 0:
            k = i + lowest(far)
            far &= far - 1
            value[k] = limit_at(flat, starts[k] + plane, width, value[k], room.around)
        if lanes_of(outside) != 0:
            store(value, i, where(outside, nothing, load(value, i)))


@njit(**BARE)
def _marked(room, first):  # type: ignore[no-untyped-def]
    """Which of WIDE pixels have to be looked at one by one: bit k for pixel first + k."""
    way = load(room.ways, first)
    return lanes_of(~((way == u8(np.uint8(0))) | (way == u8(OUTSIDE))))


@njit(**BARE, error_model="numpy")
def _ask(flags, room, full):  # type: ignore[no-untyped-def]
    """Have the flags under pixels that `_amend` will look at brought into the cache."""
    width = flags.shape[1]
    for first in range(0, full, WIDE):
        marked = _marked(room, first)
        if marked != 0:
            start = np.int64(room.starts[first + lowest(marked)])
            for j in range(6):
                prefetch(flags, start + j * width)


@njit(**BARE, error_model="numpy")
def _amend(planes, flags, room, n, limit_ringing, out, out_flags, y, x0):  # type: ignore[no-untyped-def]
    """Flags of n pixels of a row, and values of those that not all taps can be used for."""
    line = out_flags[y, x0 : x0 + n]
    nothing, outside = u8(np.uint8(0)), u8(OUTSIDE)
    bits = line if n % WIDE == 0 else room.bits
    for i in range(0, n, WIDE):
        store(bits, i, where(load(room.ways, i) == outside, u8(_NO_DATA), nothing))
    if n % WIDE != 0:
        for i in range(n):
            line[i] = bits[i]
    for first in range(0, n, WIDE):
        marked = _marked(room, first)
        while marked != 0:
            i = first + lowest(marked)
            marked &= marked - 1
            if i >= n:
                break
            flag = np.uint8(0)
            top, left = np.int64(room.rows[i]) + 2, np.int64(room.columns[i]) + 2
            if room.ways[i] & (RIM | BAD | SATURATED):
                flag = _careful(planes, flags, top, left, room, i, limit_ringing, out, y, x0 + i)
            line[i] = flag | carried(flags, top, left, room.fy[i], room.fx[i])


@njit(**ENTRY, error_model="numpy")
def resample(  # type: ignore[no-untyped-def]
    planes,
    flat,
    flags,
    marks,
    skipped,
    matrix,
    dense,
    norm,
    coef,
    limit_ringing,
    near,
    y0,
    room,
    out,
    out_flags,
):
    """Fill rows y0.. of the output: out float32 (c, h, nx), out_flags uint8 (h, nx).

    planes : float32 (c, height, width). flat : the same in one row. marks : uint8, flat, from
    `mark_footprints`, without the first `skipped` pixels of the input. coef : from
    `interpolation.coefficients`. near : float32 (c,), from `ringing.indifference`, or infinite.
    """
    channels, height, width = planes.shape
    shape, size, nx = (height, width), height * width, out.shape[2]
    # Strips of columns from top to bottom: of a turned picture few rows are in use at a time.
    for x0 in range(0, nx, _BLOCK):
        n = min(_BLOCK, nx - x0)
        full = -(-n // WIDE) * WIDE  # beyond n are pixels that nobody asked for
        u, v, fx, fy = room.u[:full], room.v[:full], room.fx[:full], room.fy[:full]
        distance = _distance(matrix, dense, norm, y0 + out.shape[1] // 2, x0, u, v, width)
        for y in range(out.shape[1]):
            map_row(matrix, dense, norm, y + y0, x0, u, v)
            if _place(u, v, marks, skipped, shape, distance, fx, fy, room):
                weigh(coef, fx, room.wx)
                weigh(coef, fy, room.wy)
                _ask(flags, room, full)
            ahead = y % (WIDE // 2), distance
            for c in range(channels):
                line = out[c, y, x0 : x0 + n]
                value = line if n == full else room.value
                if _last(shape) >= 0:
                    _sum(flat, c * size, size, width, room, full, near[c], ahead, value)
                else:  # a frame so small that every pixel is amended
                    value[:] = 0.0
                if n < full:
                    for i in range(n):
                        line[i] = value[i]
            _amend(planes, flags, room, n, limit_ringing, out, out_flags, y, x0)


@njit(cache=True, nogil=True, error_model="numpy")
def pick_nearest(planes, flags, matrix, dense, norm, y0, out, out_flags):  # type: ignore[no-untyped-def]
    """As `resample`, copying value and flags of the nearest pixel."""
    channels, height, width = planes.shape
    nx = out.shape[2]
    room = -(-nx // WIDE) * WIDE
    u, v = np.empty(room), np.empty(room)
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
