"""What a Bayer mosaic tells of itself: where red is, how the sensor answers to colours."""

from __future__ import annotations

import math

import numpy as np

from coldframe.frame import UNUSABLE, Array, Flag
from coldframe.grey import grey_response

_SQUARE = 16  # pixels, side
_SQUARES = 16000


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
    bands = []
    for band in range(0, rows, max(1, math.ceil(rows * columns / _SQUARES))):
        part = np.s_[band * _SQUARE : (band + 1) * _SQUARE, : columns * _SQUARE]
        squares = data[part].reshape(_SQUARE // 2, 2, columns, _SQUARE // 2, 2)
        sites = squares.sum(axis=(0, 3), dtype=np.float64)  # (2, columns, 2)
        green = (sites[red_y, :, 1 - red_x] + sites[1 - red_y, :, red_x]) / 2.0
        sums = np.stack([sites[red_y, :, red_x], green, sites[1 - red_y, :, 1 - red_x]], axis=1)
        plain = ~np.any(_spoilt(flags[part]).reshape(_SQUARE, columns, _SQUARE), axis=(0, 2))
        bands.append(np.diff(sums, axis=0)[plain[1:] & plain[:-1]])
    return grey_response(np.concatenate(bands) if bands else np.zeros((0, 3)))


def _spoilt(flags: Array) -> Array:
    defect = (flags & np.uint8(Flag.HOT | Flag.COLD)) != 0
    unrepaired = defect & ((flags & np.uint8(Flag.REPAIRED)) == 0)
    return np.asarray(unrepaired | ((flags & np.uint8(UNUSABLE | Flag.SATURATED)) != 0))
