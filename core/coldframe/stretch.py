"""From linear pixels to a picture on a screen: average down, stretch, encode.

The order is: area average of the linear values (`preview`), black point and white balance, an
asinh curve (`asinh_stretch`), whose result is light leaving the screen (0..1, linear), and last
the sRGB transfer function (`srgb_encode`), because that is what a screen undoes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coldframe.frame import UNUSABLE, Array, Flag, Frame
from coldframe.grey import EQUAL, grey_response
from coldframe.medians import middle, size_of, within

SKY = 0.16
"""Where the sky background lands, as an sRGB value: a dark grey."""

DEPTH = 2.5
"""Black lies this many sigma of the sky below its level."""

HIGHLIGHTS = 99.9
"""The percentile of brightness that becomes white."""


ENOUGH = 300_000
"""Pixels that statistics are taken of."""

SQUARE = 8
"""Side, in pixels, of the squares whose colours are compared to find what is grey."""

BAND = 64
"""Rows of a small picture that are made at once, of rows that stay in the processor's cache."""

FEATHER = 1.0
"""Pixels (sigma) over which the colourless core of a saturated star goes over into its colour."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A curve for each colour: from (value - black) * gain to asinh(./softening) of white's.

    black : ADU. gain : 1. softening, white : ADU after black and gain; below the softening the
    curve is a line, above it a logarithm. together : one factor for all colours of a pixel, else each by its own curve.
    """

    black: tuple[float, ...]
    gain: tuple[float, ...]
    softening: tuple[float, ...]
    white: tuple[float, ...]
    together: bool


def srgb_encode(light: Array) -> Array:
    """Linear light 0..1 to sRGB values 0..1 (IEC 61966-2-1:1999, 5.2)."""
    light = np.asarray(light)
    root = 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055
    return np.asarray(np.where(light <= 0.0031308, 12.92 * light, root), dtype=light.dtype)


def srgb_decode(value: Array) -> Array:
    """sRGB values 0..1 to linear light 0..1 (IEC 61966-2-1:1999, 5.2)."""
    value = np.asarray(value)
    power = ((np.maximum(value, 0.04045) + 0.055) / 1.055) ** 2.4
    return np.asarray(np.where(value <= 0.04045, value / 12.92, power), dtype=value.dtype)


def preview(frame: Frame, max_side: int) -> Frame:
    """The frame averaged down so that its longer side has at most `max_side` pixels.

    Each output pixel is the mean over its area of the usable input pixels, those at its edges
    counted by the part that lies inside; without any it has NO_DATA and value 0. SATURATED stays
    where any of them was saturated; other flags and further planes are dropped. A frame that is
    small enough keeps its size.
    """
    channels = frame.channels
    data, flags = averaged(
        lambda rows: (frame.flags[rows], [c[rows] for c in channels]),
        frame.shape,
        len(channels),
        max_side,
    )
    info = replace(frame.info, shape=flags.shape)
    return Frame(data if frame.data.ndim == 3 else data[0], flags, info, history=frame.history)


def averaged(
    read: Callable[[slice], tuple[Array, Sequence[Array]]],
    size: tuple[int, int],
    channels: int,
    max_side: int,
) -> tuple[Array, Array]:
    """What `preview` makes of pixels that come some rows at a time: data (c, h, w) and flags (h, w).

    read : gives flags and colours, each (rows, x), of some rows; asked for all of them from the
    top down, at times for the last one again. size : of the whole, (y, x).
    """
    factor = max(1.0, max(size) / max_side)
    height, width = max(1, round(size[0] / factor)), max(1, round(size[1] / factor))
    data = np.empty((channels, height, width), np.float32)
    made = np.zeros((height, width), np.uint8)
    for top in range(0, height, BAND):
        part = slice(top, min(top + BAND, height))
        shares, rows = _areas(size[0], height, part.start, part.stop)
        flags, planes = read(rows)
        some = int(np.bitwise_or.reduce(flags, axis=None))
        if some & UNUSABLE:
            unusable = (flags & np.uint8(UNUSABLE)) != 0
            planes = [np.where(unusable, np.float32(0.0), plane) for plane in planes]
            share = _shrink(shares @ (~unusable).astype(np.float32), width)
        else:  # the same in all columns
            own = shares @ np.ones(len(flags), np.float32)
            share = _shrink(np.repeat(own[:, np.newaxis], size[1], axis=1), width)
        for mean, plane in zip(data, planes, strict=True):
            total = _shrink(shares @ plane.astype(np.float32, copy=False), width)
            mean[part] = total / np.where(share > 0, share, 1.0)
        made[part] = np.where(share > 0, np.uint8(0), np.uint8(Flag.NO_DATA))
        if some & Flag.SATURATED:
            saturated = (flags & np.uint8(Flag.SATURATED)) != 0
            inside = _shrink(shares @ saturated.astype(np.float32), width) > 0
            made[part][inside] |= np.uint8(Flag.SATURATED)
    return data, made


def _shrink(rows: Array, width: int) -> Array:
    """Means over the areas of `width` pixels across each row."""
    columns, _ = _areas(rows.shape[1], width, 0, width)
    return np.asarray((columns @ rows.T).T)


@lru_cache(maxsize=64)
def _areas(long: int, short: int, top: int, stop: int) -> tuple[Any, slice]:
    """The shares of `long` pixels in some of `short`, a sparse matrix; which of them have any."""
    from scipy import sparse

    edges = np.linspace(0.0, long, short + 1)[top : stop + 1]
    first = edges[:-1].astype(int)
    last = np.minimum(np.ceil(edges[1:]).astype(int), long)
    counts = last - first
    starts = np.concatenate([[0], np.cumsum(counts)])
    columns = np.arange(starts[-1]) + np.repeat(first - starts[:-1], counts)
    shares = np.ones(starts[-1])
    shares[starts[:-1]] -= edges[:-1] - first
    shares[starts[1:] - 1] -= last - edges[1:]
    shares /= np.repeat(np.diff(edges), counts)
    offset, size = int(first[0]), int(last[-1] - first[0])
    shape = (len(counts), size)
    matrix = sparse.csr_array((shares.astype(np.float32), columns - offset, starts), shape=shape)
    return matrix, slice(offset, offset + size)


def sky_level(values: Array) -> tuple[float, float]:
    """Median and robust sigma of the sky among these values, stars and nebulae clipped away.

    Values more than three sigma (1.4826 times the median absolute deviation) from the median are
    left out, over again until nothing changes. (nan, nan) for no values.
    """
    values = np.asarray(values)
    # In the type they have: short whole numbers are ordered digit by digit, without comparing.
    short = values.dtype.kind in "ui" and values.dtype.itemsize <= 2
    return _clipped(np.sort(values, axis=None, kind="stable" if short else None))


def _clipped(ordered: Array) -> tuple[float, float]:
    """The same of values in ascending order."""
    values = ordered.astype(np.float64)
    if values.size == 0:
        return float("nan"), float("nan")
    for _ in range(20):
        level = middle(values)
        away = values - level
        sigma = 1.4826 * float(size_of(away))
        kept = values[within(away, 3.0 * sigma)]
        if sigma == 0.0 or kept.size == values.size:
            break
        values = kept
    return float(level), float(sigma)


def fit_stretch(
    data: Array, flags: Array, *, together: bool, balance: bool = True
) -> Stretch | None:
    """A stretch that shows the faint parts of the sky and keeps the bright ones apart.

    Parameters
    ----------
    data : float32 (y, x) or (3, y, x), ADU; best a `preview`. flags : uint8 (y, x).
    together : one curve for all colours, so that hues are kept; else one for each.
    balance : where colours go together, make the stars of the field grey together (`grey_response`).

    Returns
    -------
    Black `DEPTH` sigma below the sky, which lands at `SKY`; white at the `HIGHLIGHTS` percentile.
    None when no pixel is usable.
    """
    planes = data if data.ndim == 3 else data[np.newaxis]
    good = ((flags & np.uint8(UNUSABLE)) == 0) & np.isfinite(planes).all(axis=0)
    if not good.any():
        return None
    gain = _balance(planes, flags, good) if together and balance and len(planes) == 3 else (1.0,)
    gains = gain if len(gain) == len(planes) else (1.0,) * len(planes)
    thin = max(1, np.count_nonzero(good) // ENOUGH)
    values = [plane[good][::thin] for plane in planes]
    ordered = [np.sort(v) for v in values]
    skies = [_clipped(v)[0] for v in ordered]
    rise, risen = (
        [(v - s) * g for v, s, g in zip(each, skies, gains, strict=True)]
        for each in (values, ordered)
    )
    noise = [_clipped(r)[1] for r in risen]
    if together:
        # The noisiest colour sets how far black lies below the sky: it must not be cut off more
        # than the others, which would tint the shadows.
        curves = [_curve(np.mean(rise, axis=0), max(noise))] * len(planes)
    else:
        curves = [_curve(r, sigma) for r, sigma in zip(rise, noise, strict=True)]
    black = tuple(s - c[0] / g for s, c, g in zip(skies, curves, gains, strict=True))
    return Stretch(black, gains, tuple(c[1] for c in curves), tuple(c[2] for c in curves), together)


def _curve(rise: Array, sigma: float) -> tuple[float, float, float]:
    """Height of the sky above black, softening and white for values about a sky of 0."""
    most = float(np.percentile(rise, HIGHLIGHTS))
    height = DEPTH * (sigma or most / 1000.0 or 1.0)
    target = float(srgb_decode(np.array(SKY)))
    # With less room above the sky than this even a straight line would show it brighter.
    white = max(most + height, 2.0 * height / target)
    low, high = 1e-6 * height, 1e6 * white
    for _ in range(100):  # the sky's value falls as the softening grows
        softening = (low * high) ** 0.5
        if np.arcsinh(height / softening) > target * np.arcsinh(white / softening):
            low = softening
        else:
            high = softening
    return height, softening, white


def _balance(planes: Array, flags: Array, good: Array) -> tuple[float, ...]:
    # Sums over squares, so that all of a star's light counts however sharp each colour is.
    height, width = (size // SQUARE for size in good.shape)
    part = np.s_[: height * SQUARE, : width * SQUARE]
    squares = (height, SQUARE, width, SQUARE)
    plain = good & ((flags & np.uint8(Flag.SATURATED)) == 0)
    plain = plain[part].reshape(squares).all(axis=(1, 3))
    sums = np.stack([p[part].reshape(squares).sum(axis=(1, 3), dtype=np.float64) for p in planes])
    pairs = plain[:, 1:] & plain[:, :-1]
    steps = np.diff(sums, axis=2)[:, pairs].T
    response = grey_response(steps)
    if response == EQUAL:
        return EQUAL
    # The largest response keeps gain 1, so that no colour is cut off below its white level.
    return tuple(max(response) / r for r in response)


def asinh_stretch(data: Array, stretch: Stretch) -> NDArray[np.float32]:
    """Apply a stretch: linear light for the screen, 0..1, shaped as `data`.

    Parameters
    ----------
    data : float32 (y, x) or (3, y, x), ADU.

    Notes
    -----
    Colours together, the curve is that of the mean I of the three colours, and each colour is multiplied by
    f(I) / I; a pixel with a colour above 1 is divided by it, so that bright stars keep their hue
    (Lupton et al. 2004, PASP 116, 133, equations 1 to 4, with f(I) = asinh(I / softening) /
    asinh(white / softening)). Below 0 the factor is the same even function of I and the result
    is cut off at 0.
    """
    planes = data if data.ndim == 3 else data[np.newaxis]
    column = (len(planes), 1, 1)
    black, gain, softening, white = (
        np.array(v, np.float32).reshape(column)
        for v in (stretch.black, stretch.gain, stretch.softening, stretch.white)
    )
    light = (planes - black) * gain
    bend = np.arcsinh(white / softening)
    if stretch.together:
        mean = light.mean(axis=0, keepdims=True)
        tiny = np.abs(mean) < 1e-6 * softening[:1]
        safe = np.where(tiny, softening[:1], mean)
        slope = np.where(tiny, 1.0 / softening[:1], np.arcsinh(safe / softening[:1]) / safe)
        light = light * (slope / bend[:1])
        light = light / np.maximum(light.max(axis=0, keepdims=True), 1.0)
    else:
        light = np.arcsinh(light / softening) / bend
    light = np.clip(light, 0.0, 1.0).astype(np.float32)
    return light if data.ndim == 3 else light[0]


def render(frame: Frame, stretch: Stretch | None) -> NDArray[np.uint8]:
    """The stretched picture, sRGB: uint8 (y, x), or (y, x, 3) for colour.

    Pixels with NO_DATA (and all of them without a stretch) are black. Where the frame is
    saturated the colour is unknown: it is shown without, as bright as its brightest colour.
    """
    if stretch is None:
        light = np.zeros(frame.data.shape, np.float32)
    else:
        light = asinh_stretch(frame.data, stretch)
    if light.ndim == 3:
        from scipy import ndimage

        saturated = ((frame.flags & np.uint8(Flag.SATURATED)) != 0).astype(np.float32)
        white = np.maximum(saturated, ndimage.gaussian_filter(saturated, FEATHER, mode="nearest"))
        light += white * (light.max(axis=0) - light)
    light = np.where((frame.flags & np.uint8(Flag.NO_DATA)) != 0, np.float32(0.0), light)
    picture = np.rint(255.0 * srgb_encode(np.nan_to_num(light))).astype(np.uint8)
    return np.ascontiguousarray(np.moveaxis(picture, 0, -1) if picture.ndim == 3 else picture)
