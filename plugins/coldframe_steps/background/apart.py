"""Sky and a large object told apart: fitted together, and the sky's shape chosen by evidence.

An object that fills the frame leaves no sample that is sky alone. What still tells the two apart is
shape: the glow of the sky runs smoothly across the frame and beyond it, while an object is bright
and closes off. So samples are taken for a smooth sky plus a few hills, and the sky may bend only
as far as the samples are told decisively better by it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coldframe.frame import Array
from coldframe_steps.background.hills import (
    SHAPE,
    Basis,
    Joint,
    Points,
    best_trial,
    hill,
    joint_fit,
    trials,
)
from coldframe_steps.background.sampling import Samples
from coldframe_steps.background.structure import window_medians
from coldframe_steps.background.surfaces import (
    Polynomial,
    design_matrix,
    least_squares,
    plane_terms,
)

MOST_HILLS = 3
DECISIVE = 10.0
"""A sky that bends more is believed when its BIC is lower by this: "very strong" evidence (Kass &
Raftery 1995, J. Am. Stat. Assoc. 90, 773)."""

CELLS = 16
"""Cells along the longer side that samples are gathered in: skies and hills are far wider."""

STANDS_OUT = 5.0
"""A sample this many sigmas from the median of those around it is a star's."""

TALLEST = 5.0
"""Hills are no higher than this many times what a plane leaves from lowest to highest cell."""

WIDE = 0.45
"""A hill of a larger sigma looks much like a sky that bends both ways."""

GRID = 17
"""Places a side at which a sky that is no polynomial is made one."""


@dataclass(frozen=True, slots=True)
class Sky:
    """A family of skies. name : in words. order : of the polynomial that comes nearest.

    numbers : how many it has. basis : its terms. starts : bends to begin from, (s, b), in units
    along the slope.
    """

    name: str
    order: int
    numbers: int
    basis: Basis
    starts: tuple[float, ...] = ()


def _polynomial(order: int) -> Sky:
    names = {1: "a plane", 2: "a surface of order 2"}
    return Sky(
        names.get(order, f"a surface of order {order}"),
        order,
        len(plane_terms(order)),
        lambda _, y, x: design_matrix(y, x, order),
    )


def _exponential(bends: Array, y: Array, x: Array) -> Array:
    steep = max(float(np.hypot(*bends)), 0.02)
    return np.stack([np.ones_like(y), np.expm1(bends[0] * y + bends[1] * x) / steep], axis=1)


GLOW = Sky("a slope that steepens", 1, 4, _exponential, (-0.4, 0.4))
"""Glow that grows by the same factor from step to step, as near a town or the horizon: it bends
along its slope only, with one number more than a plane."""


def _bowl(aspect: tuple[float, float]) -> Sky:
    """What a flat leaves behind: as much in each direction from the middle."""

    def basis(_: Array, y: Array, x: Array) -> Array:
        square = (y * aspect[0]) ** 2 + (x * aspect[1]) ** 2
        return np.concatenate([design_matrix(y, x, 1), square[:, np.newaxis]], axis=1)

    return Sky("a plane with a bowl", 2, 4, basis)


def skies(order: int, aspect: tuple[float, float]) -> list[Sky]:
    """Those with at most this order, the least bent first."""
    bent = [_polynomial(k) for k in range(2, order + 1)]
    return [_polynomial(1), *([GLOW, _bowl(aspect)] if bent else []), *bent]


@dataclass(frozen=True, slots=True)
class Apart:
    """A sky and an object told apart.

    sky : its family. base : its surface, for each colour. object : float64 (c, m, n), at the
    samples, ADU. unlike : float64 (c, m, n), by how much the object may differ from that, ADU.
    error : rms error of the surface over the frame about its mean, ADU; of the worst colour.
    object_error : error of the object's brightness above its surroundings, a share of it; 0
    without an object. withheld : a sky that fits better but not decisively, or ""; left : by how
    much it differs from the one taken, peak to valley, ADU.
    """

    sky: Sky
    base: tuple[Polynomial, ...]
    object: Array
    unlike: Array
    error: float
    object_error: float
    withheld: str
    left: float


@dataclass(frozen=True, slots=True)
class _Fit:
    sky: Sky
    joint: Joint
    evidence: float  # BIC
    loss: float  # AIC


def tell_apart(
    samples: Samples, start: Array, noise: Array, order: int, aspect: tuple[float, float]
) -> Apart:
    """Tell a smooth sky from a large object.

    Parameters
    ----------
    start : bool (m, n), samples that may be sky or object. noise : (c,), of a sample, ADU.
    order : of the sky's surface at most. aspect : the frame's sides over its longer one.

    Notes
    -----
    Models are compared by BIC (Schwarz 1978, Ann. Stat. 6, 461), n ln(misfit) + p ln n. Twice
    over: what hills do not follow of an object grows with its brightness, so in the second round
    samples count the less the brighter the object is, and sky around it decides.
    """
    points, scale = _gathered(samples, start, noise, aspect)
    fits = _models(points, order)
    best = min(fits, key=lambda one: one.evidence)
    unlike = _unlike(points, best.joint)
    if unlike > 0:
        bright = points.hills(best.joint.shapes) @ best.joint.heights
        loose = (unlike * bright.max(axis=1) * points.roots) ** 2
        points = Points(
            points.y, points.x, points.values, points.roots / np.sqrt(1 + loose), aspect
        )
        fits = _models(points, order)
        best = min(fits, key=lambda one: one.evidence)
    fair = [one for one in fits if one.evidence <= best.evidence + DECISIVE]
    least = [one for one in fair if one.sky is fair[0].sky]
    chosen = min(least, key=lambda one: one.evidence)
    seen = _object(samples, chosen.joint, aspect) * scale[:, np.newaxis, np.newaxis]
    error, object_error = _errors(points, chosen, fits, best, scale)
    return Apart(
        chosen.sky,
        tuple(_as_polynomial(chosen, c, scale[c]) for c in range(len(scale))),
        seen,
        unlike * seen,
        error,
        object_error,
        best.sky.name if best.sky is not chosen.sky else "",
        float(np.max(np.ptp(_surface(points, best) - _surface(points, chosen), axis=0) * scale)),
    )


def _gathered(
    samples: Samples, start: Array, noise: Array, aspect: tuple[float, float]
) -> tuple[Points, Array]:
    """Means of samples in coarse cells, stars left out; and the unit of their values, (c,) ADU."""
    ok = start.copy()
    middles = window_medians(samples.sky, start, 3)
    for sky, middle, sigma in zip(samples.sky, middles, noise, strict=True):
        away = np.abs(sky - middle)
        ok &= away < STANDS_OUT * max(1.4826 * float(np.median(away[start])), sigma)
    m, n = ok.shape
    side = max(1, round(max(m, n) / CELLS))
    row, column = np.meshgrid(np.arange(m) // side, np.arange(n) // side, indexing="ij")
    _, cell, count = np.unique((row * n + column)[ok], return_inverse=True, return_counts=True)

    def mean(values: Array) -> Array:
        out: Array = np.bincount(cell, values[ok]) / count
        return out

    seen = [_scatter(sky, ok) for sky in samples.sky]
    scale = np.maximum(seen, 0.1 * noise)
    values = np.stack([mean(sky) / unit for sky, unit in zip(samples.sky, scale, strict=True)], 1)
    roots = np.sqrt(count.astype(float))
    return Points(mean(samples.y), mean(samples.x), values, roots, aspect), scale


def _scatter(sky: Array, ok: Array) -> float:
    """Standard deviation of a sample by second differences, its tails with it; ADU."""
    inner = ok[:, 1:-1] & ok[:, :-2] & ok[:, 2:]
    bend = np.abs((sky[:, :-2] - 2 * sky[:, 1:-1] + sky[:, 2:])[inner])
    if not bend.size:
        return 0.0
    near = bend[bend <= STANDS_OUT * max(1.4826 * float(np.median(bend)), 1e-12)]
    return float(np.sqrt(np.mean(near**2) / 6))


def _models(points: Points, order: int) -> list[_Fit]:
    """Every sky with every number of hills that may be worth it, the least bent sky first."""
    shapes = trials(points.aspect)
    made = points.trial_hills(shapes)
    families = skies(order, points.aspect)
    rows = [[_bare(points, sky)] for sky in families]
    for count in range(1, MOST_HILLS + 1):
        for sky, row in zip(families, rows, strict=True):
            best = min(fit.evidence for other in rows for fit in other)
            numbers, least = _numbers(points, sky, count)
            if len(row) < count or least > best + DECISIVE or 3 * numbers > points.values.size:
                continue
            if count > 1 and row[-1].evidence > row[-2].evidence:
                continue  # where a hill was no gain, one more is none
            joint = row[-1].joint
            known = joint.design / points.roots[:, np.newaxis]
            one = shapes[best_trial(points, made, known)]
            joint = joint_fit(points, sky.basis, joint.bends, np.vstack([joint.shapes, one]))
            row.append(_judged(points, sky, joint))
    return [fit for row in rows for fit in row]


def _bare(points: Points, sky: Sky) -> _Fit:
    """A sky without hills."""
    none = np.zeros((0, SHAPE))
    joints = [joint_fit(points, sky.basis, bends, none) for bends in _bends(points, sky)]
    return _judged(points, sky, min(joints, key=lambda one: one.misfit))


def _numbers(points: Points, sky: Sky, hills: int) -> tuple[int, float]:
    """How many numbers a model has, and the BIC it has at best."""
    n, c = points.values.shape
    bends = 2 if sky.starts else 0
    count = c * (sky.numbers - bends) + bends + hills * (SHAPE + c)
    return count, count * float(np.log(n * c))


def _judged(points: Points, sky: Sky, joint: Joint) -> _Fit:
    count, least = _numbers(points, sky, len(joint.shapes))
    told = points.values.size * float(np.log(max(joint.misfit, 1.0)))
    if joint.heights.size:
        # A hill far higher than all that is seen leans on a hollow in the sky: neither is real.
        plane = design_matrix(points.y, points.x, 1)
        rest = points.values - plane @ least_squares(plane, points.values, points.roots**2)
        if np.any(joint.heights.sum(axis=0) > TALLEST * np.ptp(rest, axis=0)):
            told = np.inf
    return _Fit(sky, joint, told + least, told + 2 * count)


def _bends(points: Points, sky: Sky) -> list[Array]:
    if not sky.starts:
        return [np.zeros(0)]
    plane = least_squares(design_matrix(points.y, points.x, 1), points.values, points.roots**2)
    slope = plane[[2, 1]].mean(axis=1)
    along = slope / max(float(np.hypot(*slope)), 1e-12)
    return [start * along for start in sky.starts]


def _unlike(points: Points, joint: Joint) -> float:
    """By what share of its brightness an object differs from the hills; 0 where noise explains it."""
    bright = (points.hills(joint.shapes) @ joint.heights).max(axis=1)
    inside = bright > max(0.2 * float(bright.max(initial=0.0)), 1.0)
    if inside.sum() < 4:
        return 0.0
    over = np.mean(joint.residual[inside] ** 2, axis=1) - max(
        1.0, 2 * float(np.median(joint.residual[~inside] ** 2) if (~inside).any() else 1.0)
    )
    share = over / (bright[inside] * points.roots[inside]) ** 2
    return float(np.sqrt(max(np.mean(share), 0.0)))


def _object(samples: Samples, joint: Joint, aspect: tuple[float, float]) -> Array:
    """The hills at the samples, (c, m, n), in units of noise."""
    out = np.zeros_like(samples.sky)
    for shape, heights in zip(joint.shapes, joint.heights, strict=True):
        one = hill(shape, samples.y * aspect[0], samples.x * aspect[1])
        out += heights[:, np.newaxis, np.newaxis] * one
    return out


def _surface(points: Points, fit: _Fit) -> Array:
    """A sky at the points, (n, c), in units of noise."""
    out: Array = fit.sky.basis(fit.joint.bends, points.y, points.x) @ fit.joint.sky
    return out


def _as_polynomial(fit: _Fit, colour: int, scale: float) -> Polynomial:
    t = np.cos(np.pi * (np.arange(GRID) + 0.5) / GRID)
    y, x = (a.ravel() for a in np.meshgrid(t, t, indexing="ij"))
    values = fit.sky.basis(fit.joint.bends, y, x) @ fit.joint.sky[:, colour] * scale
    order = 4 if fit.sky is GLOW else fit.sky.order
    return Polynomial.fit(y, x, values, np.ones(y.size), order)


def _errors(
    points: Points, chosen: _Fit, fits: Sequence[_Fit], best: _Fit, scale: Array
) -> tuple[float, float]:
    """Errors of the surface and of the object, see `Apart`.

    From the fit's covariance, its residuals being what they are, and from how far skies that the
    samples do not tell from the chosen one differ from it, weighted by exp(-AIC / 2). Beside a wide
    hill, a sky that bends both ways may be the object's in all its bend.
    """
    joint = chosen.joint
    m = len(joint.sky)
    terms = chosen.sky.basis(joint.bends, points.y, points.x)
    loss = np.array([one.loss for one in fits])
    shares = np.exp(-(loss - loss.min()) / 2)
    shares /= shares.sum()
    surfaces = [_surface(points, one) for one in fits]
    mine = _surface(points, chosen)
    errors, object_errors = [], []
    for c in range(len(scale)):
        wide = np.concatenate([joint.design, joint.slopes[:, :, c]], axis=1)
        covariance = np.linalg.pinv(wide.T @ wide, rcond=1e-12, hermitian=True)
        covariance *= max(joint.misfit, 1.0)
        gradient = np.zeros((points.y.size, wide.shape[1]))
        gradient[:, :m] = terms
        if len(joint.bends):
            root = points.roots[:, np.newaxis]
            first = joint.design.shape[1]
            gradient[:, first : first + len(joint.bends)] = (
                joint.slopes[:, : len(joint.bends), c] / root
            )
        about = gradient - gradient.mean(axis=0)
        variance = np.einsum("ij,jk,ik->i", about, covariance, about)
        apart = [surface[:, c] - mine[:, c] for surface in surfaces]
        for share, off in zip(shares, apart, strict=True):
            variance = variance + share * (off - off.mean()) ** 2
        errors.append(float(np.sqrt(np.mean(variance))) * scale[c])
        bright = points.hills(joint.shapes) @ joint.heights[:, c]
        if bright.max(initial=0.0) <= 0:
            continue
        top, low = bright >= 0.9 * bright.max(), bright <= np.quantile(bright, 0.05)
        contrast = bright[top].mean() - bright[low].mean()
        line = gradient[top].mean(axis=0) - gradient[low].mean(axis=0)
        spread = float(line @ covariance @ line)
        for share, off in zip(shares, apart, strict=True):
            spread += share * (off[top].mean() - off[low].mean()) ** 2
        if chosen.sky.order > 1 and _widest(joint) > WIDE:
            spread = max(spread, _bend(points, mine[:, c]) ** 2)
        object_errors.append(min(np.sqrt(spread) / max(contrast, 1e-12), 1.0))
    return float(max(errors)), float(min(object_errors, default=0.0))


def _widest(joint: Joint) -> float:
    """The largest sigma of a hill, mean of both axes, in the frame's longer half-side."""
    return float(np.exp(-joint.shapes[:, 2:4].mean(axis=1)).max())


def _bend(points: Points, surface: Array) -> float:
    """How far a surface departs from a plane, peak to valley."""
    plane = design_matrix(points.y, points.x, 1)
    return float(np.ptp(surface - plane @ least_squares(plane, surface)))
