"""The smooth shape of a sky or a flat: boxes, and a surface through them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coldframe.frame import UNUSABLE, Array, Flag
from coldframe.stretch import sky_level

BOXES = 24
"""Along the longer side."""

FEW = 2500
"""Pixels looked at in a box, evenly spread."""


def box_levels(values: Array, flags: Array | None = None, boxes: int = BOXES) -> Array:
    """Sky of equal boxes over an image (y, x): float64 (rows, columns), NaN without enough pixels.

    Stars are clipped away (`stretch.sky_level`); unusable and saturated pixels never count.
    """
    height, width = values.shape
    down, across = (
        max(1, min(size // 4, round(boxes * size / max(height, width)))) for size in values.shape
    )
    rows = np.arange(down + 1) * height // down
    columns = np.arange(across + 1) * width // across
    bad = np.uint8(UNUSABLE | Flag.SATURATED)
    out = np.full((down, across), np.nan)
    for j in range(down):
        for i in range(across):
            place = np.s_[rows[j] : rows[j + 1], columns[i] : columns[i + 1]]
            part = values[place]
            thin = max(1, int((part.size / FEW) ** 0.5))
            part = part[::thin, ::thin]
            good = np.isfinite(part)
            if flags is not None:
                good &= (flags[place][::thin, ::thin] & bad) == 0
            if 4 * good.sum() >= part.size:
                out[j, i] = sky_level(part[good])[0]
    return out


@dataclass(frozen=True, slots=True)
class Shape:
    """level : at the centre. tilt : of the plane, lowest to highest corner. falloff : share of the
    centre's level that the corners lack, by the part that depends on the distance from the centre.
    """

    level: float
    tilt: float
    falloff: float


def fit_shape(levels: Array, above: float = 2.0) -> Shape | None:
    """A plane and a bowl of second and fourth order through box levels; None for too few boxes.

    Notes
    -----
    level + a y + b x + c r^2 + d r^4, r the distance from the centre in half diagonals, by least
    squares. Boxes more than `above` sigma (1.4826 MAD) above the surface or 4 below are left out,
    over again: nebulae only add light. A plane and even powers of r are what vignetting with an axis
    near the centre and a gradient of the sky look like (common practice).
    """
    down, across = levels.shape
    y, x = np.meshgrid(
        (np.arange(down) + 0.5) / down * 2 - 1,
        (np.arange(across) + 0.5) / across * 2 - 1,
        indexing="ij",
    )
    aspect = across / down
    r2 = (y**2 + (aspect * x) ** 2) / (1 + aspect**2)
    known = np.isfinite(levels)
    if known.sum() < 12 or min(levels.shape) < 3:
        return None
    design = np.stack([np.ones_like(y), y, x, r2, r2**2], axis=-1)[known]
    target = levels[known]
    keep = np.ones(target.size, bool)
    for _ in range(12):
        solution = np.linalg.lstsq(design[keep], target[keep], rcond=None)[0]
        away = target - design @ solution
        sigma = 1.4826 * float(np.median(np.abs(away[keep] - np.median(away[keep]))))
        now = (away <= max(above * sigma, 1e-9)) & (away >= -max(4 * sigma, 1e-9))
        if now.sum() < 12 or np.array_equal(now, keep):
            break
        keep = now
    centre, a, b, c, d = map(float, solution)
    return Shape(centre, 2 * (abs(a) + abs(b)), -(c + d) / centre if centre else float("nan"))
