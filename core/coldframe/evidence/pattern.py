"""What a sensor adds to every frame at the same place: rows, columns and hot pixels."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from coldframe.frame import Array, Flag
from coldframe.pixel_noise import pixel_noise
from coldframe.selection import line_medians

ROWS = 250
"""Rows (columns) that tell the spread within all of them."""

PIECE = 64
"""Rows that are looked at together."""

SEEN = 6.0
"""A hot pixel shows when it stands this many sigma of the noise above its neighbours."""


@dataclass(frozen=True, slots=True)
class Stripes:
    """sigma : ADU, standard deviation of the rows' (or columns') own levels, the smooth part and
    the pixels' noise taken away; 0 when it is less than nothing. error : of sigma^2, ADU^2."""

    sigma: float
    error: float

    @property
    def seen(self) -> bool:
        """Whether it is more than chance."""
        return self.sigma**2 > 2 * self.error


class Profiles:
    """Row and column levels of frames of one camera, averaged over the frames."""

    def __init__(self, cfa: bool) -> None:
        self._step = 2 if cfa else 1
        self._sums: dict[tuple[int, int, int], Array] = {}
        self._errors: dict[tuple[int, int, int], float] = {}
        self._noise: list[float] = []
        self._frames = 0

    def add(self, image: Array, flags: Array | None = None) -> None:
        """Take in a frame, (y, x); its noise is measured with its flags only."""
        self._frames += 1
        for y in range(self._step):
            for x in range(self._step):
                plane = np.ascontiguousarray(image[y :: self._step, x :: self._step], np.float32)
                if flags is not None:
                    marks = flags[y :: self._step, x :: self._step]
                    self._noise.append(pixel_noise(plane, marks))
                for axis, lines in enumerate((plane, plane.T)):
                    own, spread = _own(lines)
                    key = (axis, y, x)
                    self._sums[key] = self._sums.get(key, 0.0) + own.astype(np.float64)
                    error = math.pi / 2 * float(np.mean(spread**2)) / max(1, lines.shape[1])
                    self._errors[key] = self._errors.get(key, 0.0) + error

    @property
    def noise(self) -> float:
        """Noise of one pixel, ADU: root mean square over the CFA positions of frames with flags."""
        return math.sqrt(float(np.mean(np.square(self._noise)))) if self._noise else math.nan

    def stripes(self, axis: int) -> Stripes:
        """Of rows (axis 0) or columns (axis 1).

        Notes
        -----
        d = l[i] - (l[i-1] + l[i+1]) / 2, the median over a row of its pixels less those of the
        rows beside it, cancels sky, nebulae and stars. Its variance is 3/2 of that of the rows'
        levels, and the noise of a median of n pixels, (pi / 2) s^2 / n (Hodges and Lehmann 1967,
        JASA 62, 926), s being the spread of the differences within the row. Variances by 1.4826
        MAD; the error is that of a variance of m values by the MAD, of efficiency 0.37: its
        sqrt(2 / (0.37 m)) (Rousseeuw and Croux 1993, JASA 88, 1273), the CFA positions taken as
        one.
        """
        found, errors = [], []
        for (which, y, x), total in self._sums.items():
            if which == axis and total.size >= 8:
                d = total / self._frames
                variance = (1.4826 * float(np.median(np.abs(d - np.median(d))))) ** 2
                noise = self._errors[which, y, x] / self._frames**2
                found.append((variance - noise) / 1.5)
                errors.append(variance / 1.5 * math.sqrt(2 / (0.37 * d.size)))
        if not found:
            return Stripes(math.nan, math.nan)
        return Stripes(math.sqrt(max(0.0, float(np.mean(found)))), float(np.mean(errors)))


def _own(lines: Array) -> tuple[Array, Array]:
    """What each row has of its own, and the spread within about `ROWS` of them (`line_medians`)."""
    count = max(0, len(lines) - 2)
    every = max(1, count // ROWS)
    # Columns become rows a few at a time, in a fast part of memory.
    size = every * max(1, PIECE // every)
    pieces = [
        line_medians(np.ascontiguousarray(lines[first : min(first + size, count) + 2]), every)
        for first in range(0, max(1, count), size)
    ]
    own, spread = (np.concatenate(parts) for parts in zip(*pieces, strict=True))
    return own, spread


@dataclass(frozen=True, slots=True)
class HotPixels:
    """count : those that calibration knows. seen : of them, how many show in a light as shot.
    left : how many still show once calibrated. excess : ADU, how far their median stands
    above its neighbours as shot."""

    count: float
    seen: float
    left: float
    excess: float


def hot_pixels(pairs: Iterable[tuple[Array, Array, Array]], cfa: bool) -> HotPixels | None:
    """Hot pixels before and after calibration: means over the lights.

    Parameters
    ----------
    pairs : for each light the image as shot, the calibrated one and the calibrated one's flags,
        all (y, x).

    Returns
    -------
    None when no pixel is flagged HOT.

    Notes
    -----
    A pixel's excess is its value less the median of its four nearest neighbours of the same CFA
    position. It shows when that is more than `SEEN` sigma of the frame's noise.
    """
    rows = []
    step = 2 if cfa else 1
    for raw, clean, flags in pairs:
        y, x = np.divmod(np.flatnonzero(flags & np.uint8(Flag.HOT)), flags.shape[1])
        inside = (y >= step) & (y < raw.shape[0] - step) & (x >= step) & (x < raw.shape[1] - step)
        total, y, x = y.size, y[inside], x[inside]
        if not y.size:
            continue
        before, after = (_excess(image, y, x, step) for image in (raw, clean))
        plain = np.zeros(flags.shape, np.uint8)
        limit = [SEEN * pixel_noise(np.asarray(image, np.float32), plain) for image in (raw, clean)]
        whole = total / y.size  # those at the very edge are like the rest
        seen = float((before > limit[0]).sum()) * whole
        left = float((np.abs(after) > limit[1]).sum()) * whole
        rows.append((float(total), seen, left, float(np.median(before))))
    return HotPixels(*np.mean(rows, axis=0).tolist()) if rows else None


def _excess(image: Array, y: Array, x: Array, step: int) -> Array:
    around = [image[y + dy, x + dx] for dy, dx in ((-step, 0), (step, 0), (0, -step), (0, step))]
    values: Array = image[y, x] - np.median(np.asarray(around, np.float64), axis=0)
    return values
