"""What a sensor adds to every frame at the same place: rows, columns and hot pixels."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from coldframe.frame import Array, Flag
from coldframe.pixel_noise import pixel_noise

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
        self._noise: dict[tuple[int, int], float] = {}
        self._frames = 0

    def add(self, image: Array, flags: Array) -> None:
        """Take in a frame, (y, x)."""
        self._frames += 1
        for y in range(self._step):
            for x in range(self._step):
                plane = image[y :: self._step, x :: self._step]
                marks = flags[y :: self._step, x :: self._step]
                noise = pixel_noise(plane, marks)
                self._noise[y, x] = self._noise.get((y, x), 0.0) + noise**2
                for axis in (0, 1):
                    levels = np.median(plane, axis=1 - axis).astype(np.float64)
                    key = (axis, y, x)
                    self._sums[key] = self._sums.get(key, 0.0) + levels

    @property
    def noise(self) -> float:
        """Noise of one pixel, ADU: root mean square over the frames and CFA positions."""
        if not self._frames:
            return math.nan
        return math.sqrt(float(np.mean(list(self._noise.values()))) / self._frames)

    def stripes(self, axis: int) -> Stripes:
        """Of rows (axis 0) or columns (axis 1).

        Notes
        -----
        d = l[i] - (l[i-1] + l[i+1]) / 2 of the levels l cancels what is smooth. Its variance is 3/2
        of that of the levels: stripes plus the noise of a median of n pixels, (pi / 2) sigma^2 / n
        (Hodges and Lehmann 1967, JASA 62, 926). Variances of d by 1.4826 MAD; the error is that of
        a variance from m values with a MAD, 1.65 sqrt(2 / m) of it (efficiency 0.37: Rousseeuw and
        Croux 1993, JASA 88, 1273), the CFA positions taken as one.
        """
        found, errors = [], []
        for (which, y, x), total in self._sums.items():
            if which != axis:
                continue
            levels = total / self._frames
            other = self._sums[1 - axis, y, x].size
            d = levels[1:-1] - (levels[:-2] + levels[2:]) / 2
            if d.size < 8:
                continue
            variance = (1.4826 * float(np.median(np.abs(d - np.median(d))))) ** 2 / 1.5
            noise = math.pi / 2 * self._noise[y, x] / self._frames / other / self._frames
            found.append(variance - noise)
            errors.append(variance * 1.65 * math.sqrt(2 / d.size))
        if not found:
            return Stripes(math.nan, math.nan)
        own = float(np.mean(found))
        return Stripes(math.sqrt(max(0.0, own)), float(np.mean(errors)))


@dataclass(frozen=True, slots=True)
class HotPixels:
    """count : those that calibration knows. seen : of them, how many show in a light as shot.
    left : how many still show once calibrated. excess : ADU, how far the middle one of them stands
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
        y, x = np.nonzero((flags & np.uint8(Flag.HOT)) != 0)
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
