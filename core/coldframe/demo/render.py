"""Puts the invented sky onto a pixel grid: photo-electrons per pixel, before any noise.

`cell` says which band each pixel of a 2 x 2 sees: [[0, 1], [1, 2]] for an RGGB sensor and bands
(R, G, B), [[2, 2], [2, 2]] for a monochrome sensor behind the third filter.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from coldframe.demo.events import Trail
from coldframe.demo.geometry import Projection
from coldframe.demo.sky import BETA, Glow, Nebula, Psf, Stars
from coldframe.frame import Array


def add_smooth(
    image: Array,
    cell: Array,
    projection: Projection,
    nebula: Nebula,
    glow: Glow,
    transparency: float = 1.0,
    seconds: float = 1.0,
) -> None:
    """Add nebula (dimmed by `transparency`) and sky glow to image, float32 (y, x).

    Both are smooth, so they are worked out on every n-th pixel and joined by straight lines, n
    being a sixth of the sigma of the nebula's smallest cloud or less: that is off by no more than
    0.7 per cent of the cloud's peak.
    """
    height, width = image.shape
    finest = min(min(c.sigma_v, c.sigma_u) for c in nebula.clouds)
    step = 2 ** min(max(int(math.log2(finest / 6)), 0), 4)
    y = np.arange(0, height + step, step, dtype=np.float64)
    x = np.arange(0, width + step, step, dtype=np.float64)
    v, u = projection.to_sky(y[:, np.newaxis], x[np.newaxis, :])
    coarse = transparency * nebula.brightness(v, u) + glow.brightness(v, u)
    _spread(image, cell, (seconds * coarse).astype(np.float32), step)


def add_stars(
    image: Array,
    cell: Array,
    projection: Projection,
    stars: Stars,
    psf: Psf,
    scale: float = 1.0,
    finest: float = 0.02,
) -> None:
    """Add every star, `scale` times its rate, to image, float32 (y, x).

    Stars are drawn out to where less than `finest` falls on a pixel (8 to 80 px); what lies beyond
    is added to what is drawn, so that the whole flux is there.
    """
    y, x = projection.to_pixel(stars.v, stars.u)
    rate = np.ascontiguousarray(scale * stars.rate)
    a, b, c = psf.coefficients()
    alpha2 = 1 / math.sqrt(a * c - b * b)
    centre = rate.max(axis=0) * (BETA - 1) / (math.pi * alpha2)
    reach = np.sqrt(alpha2 * np.maximum((centre / finest) ** (1 / BETA) - 1, 0))
    _stamp(image, cell, y, x, rate, np.clip(reach, 8, 80), a, b, c)


def add_trail(image: Array, cell: Array, trail: Trail) -> None:
    """Add a streak to image, float32 (y, x), in electrons."""
    length = math.hypot(trail.y1 - trail.y0, trail.x1 - trail.x0)
    along = (trail.y1 - trail.y0) / length, (trail.x1 - trail.x0) / length
    peak = np.array(trail.peak, dtype=np.float64)
    _streak(image, cell, trail.y0, trail.x0, *along, length, peak, trail.width, trail.period)


@njit(cache=True, nogil=True)
def _spread(image: Array, cell: Array, coarse: Array, step: int) -> None:
    height, width = image.shape
    for y in range(height):
        j = y // step
        fy = np.float32((y % step) / step)
        for x in range(width):
            i = x // step
            fx = np.float32((x % step) / step)
            plane = coarse[cell[y & 1, x & 1]]
            top = plane[j, i] * (1 - fx) + plane[j, i + 1] * fx
            bottom = plane[j + 1, i] * (1 - fx) + plane[j + 1, i + 1] * fx
            image[y, x] += top * (1 - fy) + bottom * fy


@njit(cache=True, nogil=True)
def _stamp(
    image: Array,
    cell: Array,
    ys: Array,
    xs: Array,
    rate: Array,
    reach: Array,
    a: float,
    b: float,
    c: float,
) -> None:
    height, width = image.shape
    root = math.sqrt(a * c - b * b)
    for n in range(ys.size):
        y, x = ys[n], xs[n]
        # Within q = limit the Moffat function holds 1 - (1 + limit)^(1 - beta) of the light.
        limit = reach[n] * reach[n] * root
        norm = 2.5 * root / math.pi / (1 - (1 + limit) ** -2.5)
        tall, wide = math.sqrt(limit * c) / root, math.sqrt(limit * a) / root
        for py in range(max(int(y - tall), 0), min(int(y + tall) + 2, height)):
            for px in range(max(int(x - wide), 0), min(int(x + wide) + 2, width)):
                dy, dx = py - y, px - x
                q = a * dy * dy + 2 * b * dy * dx + c * dx * dx
                if q <= limit:
                    s = 1 + q
                    image[py, px] += (
                        rate[cell[py & 1, px & 1], n] * norm / (s * s * s * math.sqrt(s))
                    )


@njit(cache=True, nogil=True)
def _streak(
    image: Array,
    cell: Array,
    y0: float,
    x0: float,
    along_y: float,
    along_x: float,
    length: float,
    peak: Array,
    width: float,
    period: float,
) -> None:
    reach = 5 * width
    for y in range(image.shape[0]):
        # Columns within reach of the line in this row; all of them when it runs level.
        if abs(along_y) > 1e-6:
            middle = x0 + (y - y0) * along_x / along_y
            half = reach / abs(along_y)
            first = int(max(middle - half, 0))
            last = int(min(middle + half + 1, image.shape[1]))
        else:
            first, last = 0, image.shape[1]
        for x in range(first, last):
            d = (y - y0) * along_x - (x - x0) * along_y
            s = (y - y0) * along_y + (x - x0) * along_x
            if abs(d) < reach and 0 <= s <= length:
                light = math.exp(-0.5 * (d / width) ** 2)
                if period > 0:
                    phase = (s % period) / period - 0.5
                    light *= 0.15 + 2.0 * math.exp(-0.5 * (phase * period / (1.5 * width)) ** 2)
                image[y, x] += peak[cell[y & 1, x & 1]] * light
