"""What a perfect stack would hold: the truth, seen in the geometry of a finished stack."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from coldframe.demo.geometry import Projection
from coldframe.demo.render import add_stars
from coldframe.demo.truth import Shot, Truth, View
from coldframe.errors import StepError
from coldframe.frame import UNUSABLE, Array, Frame

_STEP = 16  # px between the points where the expected noise is worked out


@dataclass(frozen=True, slots=True)
class Stage:
    """The truth about one stack.

    reference : name of the light whose geometry the stack has, with its `projection`.
    used : lights in the stack; share : their weights, which sum to 1. bands : band number of each
    plane of the stack. y, x : (n,) where the stars are. usable : bool (y, x), seen by every frame
    used and not flagged.
    """

    truth: Truth
    reference: str
    projection: Projection
    used: tuple[Shot, ...]
    share: tuple[float, ...]
    bands: tuple[int, ...]
    y: Array
    x: Array
    usable: Array

    @property
    def fwhm(self) -> float:
        """Of the stars in the stack, px: the weighted mean over the frames used."""
        return sum(s * view_of(f).psf.fwhm for s, f in zip(self.share, self.used, strict=True))

    @property
    def exposure(self) -> float:
        """Of each frame, s."""
        return self.used[0].exposure


def view_of(shot: Shot) -> View:
    """The sky of a light frame."""
    if shot.view is None:
        raise StepError(f"{shot.name} is not a light frame of the demo")
    return shot.view


def set_stage(
    stack: Frame, truth: Truth, used: Sequence[str], weights: Mapping[str, float] | None
) -> Stage:
    """Find out which frame's geometry the stack has, and gather what is true in it.

    Raises
    ------
    StepError
        A name is not one of the night's lights, lights of several filters are mixed, the stack
        has another size than the frames, or its stars lie where no light frame had them.
    """
    lights = truth.lights
    unknown = [name for name in used if name not in lights]
    if unknown or not used:
        raise StepError(
            f"not a light frame of this night: {unknown[0] if unknown else 'none given'}"
        )
    shots = tuple(lights[name] for name in used)
    if len({shot.band for shot in shots}) > 1:
        raise StepError("lights of several filters cannot be scored as one stack")
    if stack.shape != truth.shape:
        raise StepError(
            f"the stack is {stack.shape} pixels large, the night's frames {truth.shape}"
        )
    band = shots[0].band
    bands = tuple(range(len(truth.bands))) if band is None else (band,)
    if len(stack.channels) != len(bands):
        raise StepError(f"the stack has {len(stack.channels)} colours, the frames {len(bands)}")
    raw = np.array([1.0 if weights is None else weights[name] for name in used])
    share = tuple(float(s) for s in raw / raw.sum())
    reference, projection = _find_reference(stack, truth)
    y, x = projection.to_pixel(truth.stars.v, truth.stars.u)
    usable = (stack.flags & np.uint8(UNUSABLE)) == 0
    for shot in shots:
        usable &= _covered(truth, projection, view_of(shot).projection)
    return Stage(truth, reference, projection, shots, share, bands, y, x, usable)


def star_image(stage: Stage, band: int) -> Array:
    """The stars alone in the stack's geometry, e-/s/px above the air, float32 (y, x)."""
    image = np.zeros(stage.truth.shape, dtype=np.float32)
    cell = np.full((2, 2), band)
    for share, shot in zip(stage.share, stage.used, strict=True):
        psf, finest = view_of(shot).psf, 0.02 / stage.exposure
        # As far out as the stars were drawn in the frames, or the wings would be missed.
        add_stars(image, cell, stage.projection, stage.truth.stars, psf, share, share * finest)
    return image


def star_certainty(stage: Stage) -> float:
    """Exposure times transparency, summed over the frames used, s."""
    return sum(shot.exposure * view_of(shot).transparency for shot in stage.used)


def nebula_image(stage: Stage, band: int) -> Array:
    """The nebula alone in the stack's geometry, e-/s/px above the air, float32 (y, x)."""
    truth = stage.truth
    nebula = replace(
        truth.nebula, clouds=tuple(replace(c, peak=(c.peak[band],)) for c in truth.nebula.clouds)
    )
    height, width = truth.shape
    x = np.arange(width, dtype=np.float64)[np.newaxis, :]
    out = np.empty(truth.shape, dtype=np.float32)
    for top in range(0, height, 256):
        rows = np.arange(top, min(top + 256, height), dtype=np.float64)[:, np.newaxis]
        out[top : top + 256] = nebula.brightness(*stage.projection.to_sky(rows, x))[0]
    return out


def best_variance(stage: Stage, band: int) -> Array:
    """Least variance that the frames used allow, (e-/s/px)^2 above the air, float32 (y, x).

    Frame i measures a pixel's rate above the air with variance
    (S + D + r^2 + g^2 / 12) / (t T V)^2: S electrons from the sky and the nebula, D from dark
    current, r the read noise, g^2 / 12 of conversion to whole numbers, t exposure, T transparency,
    V shading. Weights 1 / variance give the least variance of all linear estimates (Aitken, 1935),
    1 / sum(1 / variance). Noise of the masters is not in it: with enough of them it vanishes.
    """
    truth = stage.truth
    height, width = truth.shape
    y = np.arange(0, height + _STEP, _STEP, dtype=np.float64)[:, np.newaxis]
    x = np.arange(0, width + _STEP, _STEP, dtype=np.float64)[np.newaxis, :]
    v, u = stage.projection.to_sky(y, x)
    nebula = truth.nebula.brightness(v, u)[band]
    certainty: Array = np.zeros_like(v)
    for shot in stage.used:
        certainty += 1 / _variance(truth, shot, band, v, u, nebula)
    rows = np.arange(height) / _STEP
    columns = np.arange(width) / _STEP
    return _between((1 / certainty).astype(np.float32), rows, columns)


def _variance(truth: Truth, shot: Shot, band: int, v: Array, u: Array, nebula: Array) -> Array:
    view, camera, t = view_of(shot), truth.camera, shot.exposure
    py, px = view.projection.to_pixel(v, u)
    inside_y, inside_x = np.clip(py, 0, truth.shape[0] - 1), np.clip(px, 0, truth.shape[1] - 1)
    shading = truth.optics.shading(truth.shape, inside_y, inside_x)
    sky = view.glow.level[band] * view.glow.relative(v, u)
    light = shading * (view.transparency * nebula + sky)
    glow = camera.corner_glow(truth.shape, inside_y, inside_x)
    dark = camera.mean_dark(shot.temperature) + camera.warmth(shot.temperature) * glow
    gain, read_noise = camera.settings[shot.setting]
    electrons = t * (light + dark) + read_noise**2 + gain**2 / 12
    out: Array = electrons / (t * view.transparency * shading) ** 2
    return out


def _between(coarse: Array, rows: Array, columns: Array) -> Array:
    """Bilinear values of a coarse grid at fractional rows (h,) and columns (w,)."""
    j, i = rows.astype(int), columns.astype(int)
    fy: Array = (rows - j).astype(np.float32)[:, np.newaxis]
    fx: Array = (columns - i).astype(np.float32)
    across: Array = coarse[:, i] * (1 - fx) + coarse[:, i + 1] * fx
    out: Array = across[j] * (1 - fy) + across[j + 1] * fy
    return out


def _covered(truth: Truth, reference: Projection, frame: Projection) -> Array:
    """Which stack pixels a frame saw, but for its outermost 4 px, bool (y, x)."""
    height, width = truth.shape
    y = np.arange(0, height + _STEP, _STEP, dtype=np.float64)[:, np.newaxis]
    x = np.arange(0, width + _STEP, _STEP, dtype=np.float64)[np.newaxis, :]
    fy, fx = frame.to_pixel(*reference.to_sky(y, x))
    inward = np.minimum(np.minimum(fy, height - 1 - fy), np.minimum(fx, width - 1 - fx))
    # Distance to the nearest edge is all but linear between grid points.
    fine = _between(inward.astype(np.float32), np.arange(height) / _STEP, np.arange(width) / _STEP)
    covered: Array = fine > 4
    return covered


def _find_reference(stack: Frame, truth: Truth) -> tuple[str, Projection]:
    """The light frame whose mapping puts the truth's stars onto the stack's."""
    import sep

    plane = np.ascontiguousarray(stack.channels[len(stack.channels) // 2], dtype=np.float32)
    mask = (stack.flags & np.uint8(UNUSABLE)) != 0
    background = sep.Background(plane, mask=mask)
    found = sep.extract(plane - background.back(), 5, err=background.globalrms, mask=mask)
    if len(found) < 3:
        raise StepError("the stack shows too few stars to compare with the truth")
    tree = cKDTree(np.column_stack([found["y"], found["x"]]))
    height, width = truth.shape
    brightest = np.argsort(-truth.stars.rate.sum(axis=0))
    best: tuple[tuple[float, float], str, Projection] | None = None
    for name, shot in truth.lights.items():
        projection = view_of(shot).projection
        y, x = projection.to_pixel(truth.stars.v, truth.stars.u)
        y, x = y[brightest], x[brightest]
        inside = (y > 15) & (x > 15) & (y < height - 16) & (x < width - 16)
        places = np.column_stack([y[inside], x[inside]])[: min(150, len(found))]
        distance = np.asarray(tree.query(places, distance_upper_bound=1.0)[0])
        hit = np.isfinite(distance)
        if hit.sum() >= max(3, 0.4 * len(places)):
            key = (-float(hit.sum()), float(np.median(distance[hit])))
            if best is None or key < best[0]:
                best = key, name, projection
    if best is None:
        raise StepError("the stack's stars lie where no light frame of the night had them")
    return best[1], best[2]
