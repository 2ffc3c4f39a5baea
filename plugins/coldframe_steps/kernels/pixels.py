"""Pixel loops of calibration: subtract and divide, look at same-colour neighbours, repair.

A table of neighbours (see `coldframe_steps.calibrate.neighbours`) is int32 (4, n, 2): for each
position in the 2 x 2 CFA pattern the offsets (dy, dx) of pixels of the same colour, nearest
first.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from coldframe.frame import Array, Flag
from coldframe.loops import BARE

SATURATED = np.uint8(Flag.SATURATED)
CLIPPED = np.uint8(Flag.CLIPPED)
NO_DATA = np.uint8(Flag.NO_DATA)
REPAIRED = np.uint8(Flag.REPAIRED)

NEAREST = 8  # neighbours that an estimate is made from
_RUN = 2048  # pixels worked on at a time; an even number

FEWEST = 3  # fewer usable ones than this among the nearest: look further out


def readonly(image: Array, dtype: type = np.float32) -> Array:
    """A contiguous, read-only view (a copy only if it must be).

    Masters come read-only and frames writable; one kind of array means one compilation.
    """
    view: Array = np.ascontiguousarray(image, dtype).view()
    view.flags.writeable = False
    return view


EMPTY = readonly(np.zeros((1, 1), np.float32))
"""Stands for an image that is not there."""


@njit(**BARE)
def _flag_run(values, top, bottom, line, bits):  # type: ignore[no-untyped-def]
    """Flag what is saturated, clipped or not finite in a run; returns the OR of the flags."""
    some = np.uint8(0)
    for x in range(values.size):
        flag = SATURATED if values[x] >= top else np.uint8(0)
        flag |= CLIPPED if values[x] <= bottom else np.uint8(0)
        if not math.isfinite(line[x]):
            line[x] = 0.0
            flag |= NO_DATA
        bits[x] |= flag
        some |= flag
    return some


@njit(cache=True, nogil=True, error_model="numpy")
def calibrate_pixels(
    raw: Array,
    flags: Array,
    black: Array,
    base: Array,
    has_base: bool,
    dark: Array,
    has_dark: bool,
    dark_has_bias: bool,
    scale: float,
    flat: Array,
    has_flat: bool,
    level: Array,
    white: float,
    floor: float,
    pedestal: float,
    data: Array,
    out: Array,
) -> tuple[int, int]:
    """(raw - b - k (dark - b)) * level / flat + pedestal, in one pass.

    Parameters
    ----------
    raw, flags : the frame, float32 and uint8, (y, x).
    black : float32 (4,), what stands for the bias where `has_base` is false, by CFA position.
    base, dark, flat : float32 (y, x), each read only when its `has_` is true. A flat value that
        is not positive leaves the pixel undivided.
    dark_has_bias : whether the bias has to be taken from the dark before scaling it by `scale`.
    level : float32 (4,), the flat's mean by CFA position.
    white : raw values from here on are flagged saturated. floor : raw values up to here are
        flagged clipped. pedestal : ADU added to every pixel.
    data, out : float32 and uint8 (y, x), written here: pixels and flags. Values that are not
        finite become 0 and are flagged as no data.

    Returns
    -------
    Numbers of saturated and of clipped pixels.
    """
    height, width = raw.shape
    offset, factor = np.empty(_RUN, np.float32), np.ones(_RUN, np.float32)
    scaled, top, bottom = np.float32(scale), np.float32(white), np.float32(floor)
    added, nothing = np.float32(pedestal), np.float32(0.0)
    saturated = 0
    clipped = 0
    for y in range(height):
        p = (y & 1) * 2
        for x0 in range(0, width, _RUN):
            # Runs that stay in the nearest cache, and loops so plain that they become vector
            # instructions.
            part = slice(x0, min(x0 + _RUN, width))
            values, given, line, bits = raw[y, part], flags[y, part], data[y, part], out[y, part]
            n = values.size
            if has_base:
                under = base[y, part]
                for x in range(n):
                    offset[x] = under[x]
            else:
                for x in range(n):
                    offset[x] = black[p + 1] if x & 1 else black[p]
            if has_dark:
                signal = dark[y, part]
                if dark_has_bias:
                    for x in range(n):
                        offset[x] += scaled * (signal[x] - offset[x])
                else:
                    for x in range(n):
                        offset[x] += scaled * signal[x]
            if has_flat:
                even, other, shape = level[p], level[p + 1], flat[y, part]
                for x in range(n):
                    divided = (other if x & 1 else even) / shape[x]
                    factor[x] = divided if shape[x] > 0 else np.float32(1.0)
            some, odd_one = np.uint8(0), False
            for x in range(n):
                value = (values[x] - offset[x]) * factor[x]
                line[x] = value + added
                bits[x] = given[x]
                some |= given[x]
                odd_one |= (values[x] >= top) | (values[x] <= bottom) | (value - value != nothing)
            if odd_one:
                some |= _flag_run(values, top, bottom, line, bits)
            if some & (SATURATED | CLIPPED):
                for x in range(n):
                    saturated += (bits[x] & SATURATED) != 0
                    clipped += (bits[x] & CLIPPED) != 0
    return saturated, clipped


@njit(**BARE)
def _neighbours(
    image: Array,
    base: Array,
    has_base: bool,
    flags: Array,
    bad: int,
    table: Array,
    y: int,
    x: int,
    values: Array,
) -> int:
    """Collect usable same-colour neighbours of one pixel, sorted; return how many."""
    height, width = image.shape
    p = (y & 1) * 2 + (x & 1)
    count = 0
    for k in range(table.shape[1]):
        if k >= NEAREST and count >= FEWEST:
            break
        j = y + table[p, k, 0]
        i = x + table[p, k, 1]
        if j < 0 or i < 0 or j >= height or i >= width or flags[j, i] & bad:
            continue
        value = image[j, i] - base[j, i] if has_base else image[j, i]
        at = count
        while at > 0 and values[at - 1] > value:
            values[at] = values[at - 1]
            at -= 1
        values[at] = value
        count += 1
    return count


@njit(**BARE)
def _middle(values: Array, count: int) -> float:
    """Median of the first `count` sorted values."""
    half = count // 2
    if count % 2:
        return values[half]
    return np.float32(0.5) * (values[half - 1] + values[half])


@njit(cache=True, nogil=True)
def stand_out(
    image: Array,
    base: Array,
    has_base: bool,
    flags: Array,
    bad: int,
    table: Array,
    factor: float,
    amount: Array,
    below: bool,
) -> Array:
    """Which pixels might differ from the median of their neighbours; a quick first look.

    Marks (uint8, (y, x)) each pixel for which at least half of the 8 nearest neighbours are
    under (`below`: over) factor * value - amount[p], where p is the CFA position and values are
    image - base. A neighbour with a `bad` flag or outside the frame counts as if it were, so a
    pixel whose `local_median_at` is under (over) that is never missed.
    """
    height, width = image.shape
    out = np.empty((height, width), np.uint8)
    reach = np.int64(0)
    for p in range(table.shape[0]):
        for k in range(NEAREST):
            for away in table[p, k]:
                reach = max(reach, abs(np.int64(away)))
    # Rows of what counts as neighbours, with a rim of what counts as if it were under (over).
    none = np.float32(np.inf if below else -np.inf)
    rows = np.empty((2 * reach + 1, width + 2 * reach), np.float32)
    rows[:] = none
    marks, counts = np.empty(width, np.float32), np.empty((2, width), np.uint8)
    for y in range(-reach, height):
        new = rows[(y + reach) % len(rows)][reach : reach + width]
        if y + reach < height:
            for x in range(width):
                under = base[y + reach, x] if has_base else np.float32(0.0)
                value = image[y + reach, x] - under
                new[x] = none if flags[y + reach, x] & bad else value
        else:
            new[:] = none
        if y < 0:
            continue
        p = (y & 1) * 2
        for x in range(width):
            value = image[y, x] - (base[y, x] if has_base else np.float32(0.0))
            marks[x] = np.float32(factor) * value - (amount[p + 1] if x & 1 else amount[p])
        # Both colours of the row are counted at every pixel, and one is taken: in vector
        # instructions that is quicker than going from colour to colour.
        counts[:] = 0
        for odd in range(2):
            count = counts[odd]
            for k in range(NEAREST):
                row = rows[(y + table[p + odd, k, 0]) % len(rows)]
                near = row[reach + table[p + odd, k, 1] :]
                if below:
                    for x in range(width):
                        count[x] += near[x] > marks[x]
                else:
                    for x in range(width):
                        count[x] += near[x] < marks[x]
        line, even, other = out[y], counts[0], counts[1]
        for x in range(width):
            line[x] = (other[x] if x & 1 else even[x]) >= NEAREST // 2
    return out


@njit(cache=True, nogil=True)
def local_median_at(
    image: Array, base: Array, has_base: bool, flags: Array, bad: int, table: Array, index: Array
) -> tuple[Array, Array]:
    """Median of some pixels' usable same-colour neighbours, without the pixel itself.

    Of the 8 nearest neighbours those without a `bad` flag count; if they are fewer than 3, the
    search goes on outwards. With `has_base` it is the median of image - base.

    index : int64 (n,), places in the flattened image.

    Returns medians (float32; NaN without a neighbour) and numbers of neighbours used.
    """
    width = image.shape[1]
    out = np.empty(index.size, np.float32)
    counts = np.empty(index.size, np.int64)
    values = np.empty(table.shape[1], np.float32)
    for k in range(index.size):
        y = index[k] // width
        x = index[k] - y * width
        n = _neighbours(image, base, has_base, flags, bad, table, y, x, values)
        counts[k] = n
        out[k] = _middle(values, n) if n > 0 else np.nan
    return out, counts


@njit(cache=True, nogil=True)
def repair_pixels(data: Array, flags: Array, bad: int, table: Array, index: Array) -> int:
    """Replace pixels by the median of their usable same-colour neighbours, in place.

    A pixel of `index` (places in the flattened image; each has a `bad` flag) is never read, so
    the order does not matter. A repaired pixel is flagged so; it is saturated when at least half
    of its nearest neighbours are, and no longer clipped. One without any usable neighbour is
    left as it is. Returns the number repaired.
    """
    height, width = data.shape
    values = np.empty(table.shape[1], np.float32)
    repaired = 0
    for k in range(index.size):
        y = index[k] // width
        x = index[k] - y * width
        n = _neighbours(data, data, False, flags, bad, table, y, x, values)
        if n == 0:
            continue
        p = (y & 1) * 2 + (x & 1)
        near = 0
        bright = 0
        for m in range(NEAREST):
            j = y + table[p, m, 0]
            i = x + table[p, m, 1]
            if 0 <= j < height and 0 <= i < width and not flags[j, i] & bad:
                near += 1
                if flags[j, i] & SATURATED:
                    bright += 1
        data[y, x] = _middle(values, n)
        flag = flags[y, x] & ~(SATURATED | CLIPPED)
        if near > 0 and 2 * bright >= near:
            flag |= SATURATED
        flags[y, x] = flag | REPAIRED
        repaired += 1
    return repaired
