"""What a stack of lights without darks or flats lacks, and what that costs, in numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from coldframe.step import Row
from coldframe_steps.register.lasting import DARK_TOLD, faintest

STILL = 2.0
"""Pixels that the field must move by for a hot pixel and its light to part: about a star's width."""

REPAIRED, FLAT_TOLD = "hot_from_lights", "cold_pixels"


def moved(rows: Sequence[Row]) -> float:
    """Farthest that the field moved on the sensor from one light to another, px; NaN if unknown.

    By the registered frames' shifts and, at the edge of the frame, their rotation.
    """
    names = ("shift_y", "shift_x", "rotation")
    if any(name not in row.measures for row in rows for name in names):
        return math.nan
    y, x, turn = (np.ptp([row.measures[name] for row in rows]) for name in names)
    half_turns = np.radians(min(float(turn), 360.0 - float(turn)))
    return float(np.hypot(y, x) + half_turns * max(rows[0].info.shape or (0, 0)) / 2)


def lacking(rows: Sequence[Row]) -> list[str]:
    """A line for people on each thing that the lights lack."""
    return [line for line in (_dark(rows), _flat(rows)) if line]


def _dark(rows: Sequence[Row]) -> str:
    if any(REPAIRED not in row.measures or DARK_TOLD in row.measures for row in rows):
        return ""
    n, far = len(rows), moved(rows)
    hot = int(max(row.measures[REPAIRED] for row in rows))
    done = f"no dark: {hot} hot pixels were told from the lights themselves and repaired"
    if n == 1 or not far < STILL:
        by = f", which moved by up to {far:.0f} px on the sensor" if n > 1 and far >= STILL else ""
        return f"{done}{by}; fainter ones and the sensor's glow stay"
    height, width = rows[0].info.shape or (1, 1)
    limit = faintest(n, height * width)
    return (
        f"the field never moved on the sensor ({far:.1f} px at most), and {done}, since they stood "
        f"out at the same places of all lights; those under {limit:.1f} sigma of one light stay, at "
        f"up to {limit * math.sqrt(n):.0f} sigma of the stack, and so does the sensor's pattern. "
        "Dithering is missing: move the field by 10 px or so between lights, or shoot darks"
    )


def _flat(rows: Sequence[Row]) -> str:
    calibrated = all(REPAIRED in row.measures for row in rows)
    if not calibrated or any(FLAT_TOLD in row.measures for row in rows):
        return ""
    grids = np.stack([row.survey["sky_grid"].mean(axis=0) for row in rows])
    known = np.isfinite(grids).any(axis=0)
    grid = np.full(known.shape, np.nan)
    grid[known] = np.nanmedian(grids[:, known], axis=0)
    down, across = (max(1, size // 6) for size in grid.shape)
    parts = [
        part for rim in (grid[:down], grid[-down:]) for part in (rim[:, :across], rim[:, -across:])
    ]
    corners = [np.nanmedian(part) for part in parts if np.isfinite(part).any()]
    middle = grid[2 * down : -2 * down or None, 2 * across : -2 * across or None]
    centre = float(np.nanmedian(middle)) if np.isfinite(middle).any() else 0.0
    if not (corners and centre > 0):
        return "no flat: vignetting and the shadows of dust stay"
    fall = 100 * (1 - float(np.mean(corners)) / centre)
    return (
        f"no flat: vignetting and the shadows of dust stay; the sky in the corners is "
        f"{abs(fall):.0f}% {'darker' if fall > 0 else 'brighter'} than in the centre"
        + (", so stars there may be as much too faint" if fall > 1 else "")
    )
