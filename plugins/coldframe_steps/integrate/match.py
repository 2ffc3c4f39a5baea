"""Bring the frames to one flux scale and one sky, before samples are compared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coldframe.frame import Array
from coldframe.step import Row
from coldframe_steps.integrate.sky import SkyGrid, Surface, fit_surface


@dataclass(frozen=True, slots=True)
class Matching:
    """How every frame is matched to the reference.

    reference : its place among the rows. scale : float64 (n,), multiplies a frame.
    match : float64 (n, c, 4), see `kernels.samples.matched`. noise : float64 (n, c), sigma of a
    matched pixel of sky (ADU). sky : float64 (n,), offset at the frame's centre (ADU, mean of the
    colours). gradient : float64 (n,), what the plane taken off changes by from one edge of the
    frame to the opposite, in y and x together (ADU, mean of the colours). guessed : names of frames
    whose stars did not tell their scale.
    """

    reference: int
    scale: Array
    match: Array
    noise: Array
    sky: Array
    gradient: Array
    guessed: list[str]


def grid_of(row: Row) -> SkyGrid:
    """The sky grid that the step's survey made of a frame."""
    return SkyGrid(row.survey["sky_grid"], row.survey["grid_y"], row.survey["grid_x"])


def flux_scales(rows: Sequence[Row]) -> tuple[Array, list[str]]:
    """What to multiply each frame by for equal star fluxes, up to a common factor.

    1 / flux_ratio, the column that registering measures (flux of a frame's stars over those of the
    reference frame). A frame without it is taken to be as clear as the typical one of those that
    have it, and, where all exposure times are known, its light to be in proportion to its own; the
    names of these frames are returned as well. When no frame has it, exposure times alone tell.
    """
    exposure = np.array([row.info.exposure or 0.0 for row in rows], dtype=np.float64)
    if not np.all(exposure > 0):
        exposure = np.ones(len(rows))
    ratio = np.array([row.measures.get("flux_ratio", 0.0) for row in rows], dtype=np.float64)
    known = np.isfinite(ratio) & (ratio > 0)
    if not known.any():
        return 1 / exposure, []
    clear = float(np.median(ratio[known] / exposure[known]))
    names = [row.info.label for row, ok in zip(rows, known, strict=True) if not ok]
    return 1 / np.where(known, ratio, clear * exposure), names


def choose_reference(rows: Sequence[Row], noise: Array) -> int:
    """The frame whose sky the others are brought to.

    Noise (at equal flux) and the tilt of the sky are ranked over the frames, and the lowest sum of
    ranks is taken; of equals the quieter, then the earlier.
    """
    tilt = []
    for row in rows:
        grid = grid_of(row)
        surfaces = [_fit(grid, values, True) for values in grid.values]
        tilt.append(np.mean([_climb(s, grid) for s in surfaces]) / max(_middle_noise(row), 1e-12))
    ranks = [np.argsort(np.argsort(np.asarray(v), kind="stable")) for v in (noise, tilt)]
    return int(np.lexsort((ranks[0], ranks[0] + ranks[1]))[0])


def match_frames(rows: Sequence[Row], how: str) -> Matching:
    """Match all frames to a reference among them.

    how : "none"; "offset", one number a colour; "offset-scale", with star fluxes brought to those
    of the reference first; "plane", as that, with a plane in place of the offset.

    The difference of the scaled sky grids of frame and reference is what is fitted, so that
    anything both see (nebulae, faint stars) does not matter.
    """
    raw_noise = np.array([row.survey["sky_noise"] for row in rows])
    scale = np.ones(len(rows))
    guessed: list[str] = []
    if how in ("offset-scale", "plane"):
        scale, guessed = flux_scales(rows)
    reference = choose_reference(rows, (raw_noise * scale[:, None]).mean(axis=1))
    scale = scale / scale[reference]
    n, colours = raw_noise.shape
    match = np.zeros((n, colours, 4))
    match[:, :, 0] = scale[:, None]
    gradient = np.zeros(n)
    sky = np.zeros(n)
    model = grid_of(rows[reference])
    for f, row in enumerate(rows):
        if how == "none":
            break
        grid = grid_of(row)
        for c in range(colours):
            difference = grid.values[c] * scale[f] - model.values[c]
            surface = _fit(grid, difference, how == "plane")
            match[f, c, 1:] = _at_origin(surface, grid)
            sky[f] += surface.offset / colours
            gradient[f] += _climb(surface, grid) / colours
    return Matching(reference, scale, match, raw_noise * scale[:, None], sky, gradient, guessed)


def _middle_noise(row: Row) -> float:
    return float(np.mean(row.survey["sky_noise"]))


def _centre(grid: SkyGrid) -> tuple[float, float]:
    return float(np.mean(grid.y)), float(np.mean(grid.x))


def _fit(grid: SkyGrid, values: Array, tilted: bool) -> Surface:
    """A surface through the boxes; level 0 where nothing is known, as of frames that do not meet."""
    return fit_surface(values, grid.y, grid.x, _centre(grid), tilted) or Surface(0.0)


def _climb(surface: Surface, grid: SkyGrid) -> float:
    return abs(surface.slope_y) * float(np.ptp(grid.y)) + abs(surface.slope_x) * float(
        np.ptp(grid.x)
    )


def _at_origin(surface: Surface, grid: SkyGrid) -> tuple[float, float, float]:
    y, x = _centre(grid)
    offset = surface.offset - surface.slope_y * y - surface.slope_x * x
    return offset, surface.slope_y, surface.slope_x
