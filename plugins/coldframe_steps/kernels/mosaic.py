"""What a Bayer mosaic tells of itself: where red is, how the sensor answers to colours."""

from __future__ import annotations

import math

import numpy as np

from coldframe.frame import UNUSABLE, Array, Flag

_SQUARE = 16  # pixels, side
_SQUARES = 16000
_FEWEST = 20
_AGREED = 0.9


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

    Squares of 16 x 16 pixels are summed by colour, in bands all over the frame. Where neighbours
    along a band differ most in green (a twentieth of them), their differences in red and blue by
    that in green are the response, by medians weighted with the difference in green: the stars of
    a field have all colours and are grey together. All 1 when there are too few squares or they
    do not agree that a colour rises with green, as in a frame of noise.
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
    steps = np.concatenate(bands) if bands else np.zeros((0, 3))
    most = len(steps) // 20
    if most < _FEWEST:
        return 1.0, 1.0, 1.0
    steps = steps[np.argsort(-np.abs(steps[:, 1]), kind="stable")[:most]]
    weight = np.abs(steps[:, 1])
    ratios = []
    for colour in (0, 2):
        ratio = steps[:, colour] / np.where(weight > 0.0, steps[:, 1], 1.0)
        if weight[ratio > 0.0].sum() <= _AGREED * weight.sum():
            return 1.0, 1.0, 1.0
        order = np.argsort(ratio, kind="stable")
        middle = np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2.0)
        ratios.append(min(max(float(ratio[order[middle]]), 0.1), 10.0))
    return ratios[0], 1.0, ratios[1]


def _spoilt(flags: Array) -> Array:
    defect = (flags & np.uint8(Flag.HOT | Flag.COLD)) != 0
    unrepaired = defect & ((flags & np.uint8(Flag.REPAIRED)) == 0)
    return np.asarray(unrepaired | ((flags & np.uint8(UNUSABLE | Flag.SATURATED)) != 0))
