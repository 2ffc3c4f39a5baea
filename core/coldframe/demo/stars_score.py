"""How true the stars of a stack are: brightness, and places."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import sep
from scipy import ndimage
from scipy.spatial import cKDTree

from coldframe.demo.sky import BETA
from coldframe.demo.stage import Stage, star_certainty, view_of
from coldframe.frame import Array

_SNR = 20.0  # stars fainter than this say little
_FLOOR = 0.003  # share of its light by which even the brightest star may be off: pixels differ


@dataclass(frozen=True, slots=True)
class Photometry:
    """Star brightness in one plane of a stack.

    zero_point : the stack's units for one e-/s above the air, from all unsaturated stars.
    error : its relative standard error. faint : by how much the fainter half (by information) is
    brighter than the brighter half, relative, with its standard error.
    """

    zero_point: float
    error: float
    faint: float
    faint_error: float
    stars: int


def unsaturated(stage: Stage) -> Array:
    """Stars that stayed below the converter's limit in every frame used, bool (n,)."""
    truth = stage.truth
    camera = truth.camera
    ok = np.ones(stage.y.shape, dtype=bool)
    for shot in stage.used:
        view = view_of(shot)
        a, b, c = view.psf.coefficients()
        centre = (BETA - 1) * np.sqrt(a * c - b * b) / np.pi  # share of light on the best pixel
        for band in stage.bands:
            full = (camera.white - max(camera.black)) * camera.gain(shot.setting)
            full = min(full, camera.full_well)
            sky = 1.3 * view.glow.level[band]  # the glow's slopes and the nebula are within this
            star = view.transparency * centre * truth.stars.rate[band]
            ok &= shot.exposure * (star + sky) < 0.9 * full
    return ok


def photometry(
    stage: Stage, plane: Array, stars: Array, smooth: Array, variance: Array, band: int
) -> Photometry | None:
    """Compare aperture sums in a stack's plane with the same sums in the truth.

    Both are summed in a circle of 2.7 FWHM less the mean of a ring around it, neighbours and
    nebula included, so that neither crowding nor the wings of stars bias the ratio. The circle is
    wide enough for the blur of demosaicing to matter by less than 0.1 per cent.

    Parameters
    ----------
    plane : float32 (y, x). stars, smooth : truth in e-/s/px, float32 (y, x).
    variance : of a resolved pixel, (e-/s/px)^2, float32 (y, x).

    Returns
    -------
    None when there are fewer than 10 stars to go by.
    """
    height, width = stage.truth.shape
    rate = stage.truth.stars.rate[band]
    radius = 2.7 * stage.fwhm
    inner, outer = radius + 2, radius + 9
    edge = outer + 2
    y, x = stage.y, stage.x
    ok = (y > edge) & (x > edge) & (y < height - 1 - edge) & (x < width - 1 - edge)
    noise = np.zeros_like(y)
    yi, xi = y[ok].astype(int), x[ok].astype(int)
    noise[ok] = np.sqrt(variance[yi, xi] * np.pi * radius**2)
    usable = unsaturated(stage)
    ok &= usable & (rate > _SNR * noise)
    burnt = np.flatnonzero(~usable)
    if len(burnt):
        tree = cKDTree(np.column_stack([y[burnt], x[burnt]]))
        ok &= tree.query(np.column_stack([y, x]))[0] > 2 * outer
    chosen = np.flatnonzero(ok)
    bad = ~stage.usable
    # Bright stars in the ring would bring their own noise; left out in both images alike, with a
    # margin, as the stack's are a little wider.
    crowd = bad | ndimage.binary_dilation(stars > 2 * np.sqrt(variance), iterations=3)
    sums = [
        _apertures(image, y[chosen], x[chosen], radius, inner, outer, bad, crowd)
        for image in (plane, (stars + smooth).astype(np.float32))
    ]
    whole = (sums[0][1] == 0) & (sums[1][1] == 0)
    measured, true = sums[0][0][whole], sums[1][0][whole]
    if len(true) < 10:
        return None
    # The photons in the circle, and the floor, on top of the sky's noise.
    own = np.maximum(true, 0) / star_certainty(stage) + (_FLOOR * true) ** 2
    sigma = np.sqrt(noise[chosen][whole] ** 2 + own)
    for _ in range(3):  # leave out what a warm pixel or a trail disturbed
        weight = (true / sigma) ** 2
        ratio = measured / true
        zero_point = float(np.sum(weight * ratio) / weight.sum())
        away = np.abs(ratio / zero_point - 1) * true / sigma
        spread = max(1.0, 1.4826 * float(np.median(away)))
        keep = away < 4 * spread
        measured, true, sigma = measured[keep], true[keep], sigma[keep]
    weight, ratio = (true / sigma) ** 2, measured / true / zero_point
    order = np.argsort(-true)
    middle = int(np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2))
    halves = [order[: max(middle, 1)], order[max(middle, 1) :]]
    means = [float(np.average(ratio[h], weights=weight[h])) for h in halves]
    errors = [spread / float(np.sqrt(weight[h].sum())) for h in halves]
    return Photometry(
        zero_point=zero_point,
        error=spread / float(np.sqrt(weight.sum())),
        faint=means[1] / means[0] - 1,
        faint_error=float(np.hypot(errors[0], errors[1])),
        stars=len(true),
    )


@dataclass(frozen=True, slots=True)
class Places:
    """How far stars are from where they truly are, in px.

    rms : of the distance, star by star; most of it is photon noise. field : rms of the mean offset
    over the nine parts of the frame, photon noise taken off: what the mapping itself is wrong by.
    """

    rms: float
    field: float
    stars: int


def place_residual(stage: Stage, plane: Array, variance: Array, band: int) -> Places | None:
    """Compare the places of isolated stars with the truth; None with fewer than three.

    Stars with a signal-to-noise ratio above 20, unsaturated, without a neighbour of a fiftieth of
    their light within 4 FWHM; places by windowed centroids (as in E. Bertin's and K. Barbary's
    sep).
    """
    height, width = stage.truth.shape
    rate = stage.truth.stars.rate[band]
    y, x, fwhm = stage.y, stage.x, stage.fwhm
    edge = 5 * fwhm
    ok = (y > edge) & (x > edge) & (y < height - 1 - edge) & (x < width - 1 - edge)
    yi, xi = np.clip(y.astype(int), 0, height - 1), np.clip(x.astype(int), 0, width - 1)
    ok &= rate > _SNR * np.sqrt(variance[yi, xi] * np.pi) * fwhm
    ok &= unsaturated(stage) & stage.usable[yi, xi]
    tree = cKDTree(np.column_stack([y, x]))
    chosen = [
        n
        for n in np.flatnonzero(ok)
        if all(
            m == n or rate[m] < rate[n] / 50 for m in tree.query_ball_point((y[n], x[n]), 4 * fwhm)
        )
    ]
    if len(chosen) < 3:
        return None
    flat = np.ascontiguousarray(plane - sep.Background(plane, mask=~stage.usable).back())
    px, py, flag = sep.winpos(flat, x[chosen], y[chosen], fwhm / 2.3548, mask=~stage.usable)
    # A centroid that walked off to another star or a speck says nothing about this one.
    good = (flag == 0) & (np.hypot(py - y[chosen], px - x[chosen]) < fwhm)
    y, x = y[chosen][good], x[chosen][good]
    off = np.column_stack([py[good] - y, px[good] - x])
    if len(off) < 3:
        return None
    part = (3 * y / height).astype(int) * 3 + (3 * x / width).astype(int)
    squares = []
    for cell in range(9):
        here = off[part == cell]
        if len(here) >= 5:
            spread = here.var(axis=0, ddof=1) / len(here)
            squares.append(float(np.sum(here.mean(axis=0) ** 2 - spread)))
    field = max(float(np.mean(squares)), 0.0) ** 0.5 if squares else float("nan")
    return Places(float(np.sqrt(np.mean(np.sum(off**2, axis=1)))), field, len(off))


def _apertures(
    image: Array,
    y: Array,
    x: Array,
    radius: float,
    inner: float,
    outer: float,
    bad: Array,
    crowd: Array,
) -> tuple[Array, Array]:
    """Sums in circles less the mean of a ring, and the area of masked pixels in each circle."""
    image = np.ascontiguousarray(image)
    total, _, _ = sep.sum_circle(image, x, y, radius, subpix=0)
    lost, _, _ = sep.sum_circle(bad.astype(np.float32), x, y, radius, subpix=0)
    kept = (~crowd).astype(np.float32)
    around, _, _ = sep.sum_circann(image * kept, x, y, inner, outer, subpix=5)
    area, _, _ = sep.sum_circann(kept, x, y, inner, outer, subpix=5)
    lost = np.where(area < 0.2 * np.pi * (outer**2 - inner**2), 1.0, lost)
    return total - np.pi * radius**2 * around / np.maximum(area, 1e-9), lost
