"""What a Bayer mosaic tells of itself: where red is, how the sensor answers to colours."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from coldframe.frame import Array, Flag
from coldframe.grey import grey_response
from coldframe_steps.kernels.footprint import is_bad
from coldframe_steps.kernels.pixels import readonly

_SQUARE = 16  # pixels, side
_SQUARES = 16000
_SATURATED = np.uint8(Flag.SATURATED)


def red_site(cfa: str | None) -> tuple[int, int]:
    """Row and column (0 or 1) of the red filter in the top left 2 x 2.

    Raises ValueError when this is not one of the four Bayer patterns.
    """
    name = (cfa or "").upper()
    if name not in ("RGGB", "GRBG", "GBRG", "BGGR"):
        raise ValueError(f"'{cfa}' is not one of the patterns RGGB, GRBG, GBRG, BGGR")
    return divmod(name.index("R"), 2)


def colour_response(data: Array, flags: Array, cfa: str) -> tuple[float, float, float]:
    """Response to red, green and blue, green being 1, told by what stands out of the sky.

    Squares of 16 x 16 pixels are summed by colour, in bands all over the frame; `grey_response`
    judges the differences between neighbours along a band. Squares with saturated or unusable
    pixels are left out.
    """
    red_y, red_x = red_site(cfa)
    rows, columns = data.shape[0] // _SQUARE, data.shape[1] // _SQUARE
    chosen = np.arange(0, rows, max(1, math.ceil(rows * columns / _SQUARES)))
    sites, plain = np.empty((chosen.size, columns, 4)), np.empty((chosen.size, columns), np.bool_)
    _sum_squares(readonly(data), readonly(flags, np.uint8), chosen, sites, plain)
    red, blue = sites[..., 2 * red_y + red_x], sites[..., 3 - 2 * red_y - red_x]
    green = (sites.sum(axis=-1) - red - blue) / 2.0
    steps = np.diff(np.stack([red, green, blue], axis=-1), axis=1)
    return grey_response(steps[plain[:, 1:] & plain[:, :-1]])


@njit(cache=True, nogil=True)
def _sum_squares(data, flags, bands, sites, plain):  # type: ignore[no-untyped-def]
    """Sum the squares of some bands by place in the mosaic, and tell which have no bad pixel.

    bands : int64 (n,), the bands' numbers. sites : float64 (n, columns, 4) and plain : bool (n,
    columns) are filled in.
    """
    totals, sums = np.empty(data.shape[1], np.float64), np.empty(2)
    marks = np.empty(data.shape[1], np.uint8)
    for n in range(bands.size):
        marks[:] = 0
        for dy in range(2):
            totals[:] = 0.0
            top = bands[n] * _SQUARE
            for y in range(top + dy, top + _SQUARE, 2):
                values, bits = data[y], flags[y]
                for x in range(values.size):
                    totals[x] += values[x]
                    marks[x] |= is_bad(bits[x]) | (bits[x] & _SATURATED)
            for k in range(sites.shape[1]):
                sums[:] = 0.0
                for x in range(_SQUARE):
                    sums[x & 1] += totals[k * _SQUARE + x]
                sites[n, k, 2 * dy] = sums[0]
                sites[n, k, 2 * dy + 1] = sums[1]
        for k in range(sites.shape[1]):
            spoilt = np.uint8(0)
            for x in range(_SQUARE):
                spoilt |= marks[k * _SQUARE + x]
            plain[n, k] = spoilt == 0
