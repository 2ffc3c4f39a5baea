"""Robust fits of a transform to matched stars, and the choice of the simplest adequate model."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from coldframe.frame import Array
from coldframe_steps.kernels.mapping import monomials, term_count
from coldframe_steps.register.transform import (
    Transform,
    factor,
    fit_affine,
    fit_homography,
    fit_polynomial,
    fit_rotation,
    fit_shift,
    fit_similarity,
    homography_jacobian,
    normalisation,
)

RAYLEIGH_MEDIAN = float(np.sqrt(2.0 * np.log(2.0)))  # median distance / sigma per axis
CLIP = 4.0  # sigma per axis; a good pair is further off once in 3,000
FOLDS = 10
VALIDATED = 1000  # stars that models are compared on; more tell no more
SLACK, FINE = 1.02, 0.003  # a model within 2%, or 0.003 px, of the best is as good
EDGE_ERROR = 0.3  # px, how badly a model may be known where it is used


@dataclass(frozen=True, slots=True)
class Model:
    """A kind of transform. stars : pairs needed to fit it safely, two to three times the least."""

    name: str
    stars: int
    fit: Callable[[Array, Array, Array], Transform]


MODELS: Sequence[Model] = (
    Model("similarity", 4, fit_similarity),
    Model("affine", 8, fit_affine),
    Model("homography", 12, fit_homography),
    *(
        Model(f"polynomial-{order}", 3 * term_count(order), partial(fit_polynomial, order=order))
        for order in (2, 3, 4)
    ),
)
"""From the simplest to the most flexible."""

PLAIN: Sequence[Model] = (Model("shift", 3, fit_shift), Model("rotation", 3, fit_rotation))
"""Simpler ones for fields of a few stars, and for those who ask for them."""

FEW = 12  # pairs; with fewer no star can be spared for validation, and plain models come in
FREEDOM = {"shift": 2, "rotation": 3, "similarity": 4, "affine": 6}  # numbers a model is made of
ADRIFT = 1.0  # px, how badly the map by a few stars may be known at the frame's edge


@dataclass(frozen=True, slots=True)
class Chosen:
    """A transform with the pairs it was fitted to (bool (n,)) and a reason for people.

    instead : why it is not of the model that was asked for; "" when it is.
    """

    transform: Transform
    kept: Array
    reason: str
    instead: str = ""


def choose(src: Array, dst: Array, weights: Array, edges: Array, model: str = "auto") -> Chosen:
    """Fit the simplest model that is not significantly worse than the best.

    Every model predicts every star, agreeing or not, from fits without a tenth of them (10-fold
    cross-validation), so no simple model can hide a distortion by dropping the stars that show it,
    and no flexible one can drop those that it bends away from. Squared errors are cut off at 4
    sigma, so wrong pairs count alike for all. Then the simplest model is taken whose error is
    within 2%, or 0.003 px, of the least, or whose squared errors exceed those of the best by less
    than their standard error (the one-standard-error rule: Breiman, Friedman, Olshen & Stone
    1984; Hastie, Tibshirani & Friedman 2009, The Elements of Statistical Learning, 7.10). A model
    beyond a similarity must also be known to 0.3 px at every point of `edges`, by the propagated
    uncertainty of its coefficients, and must not fold there: a polynomial that no star holds in a
    corner is not used. Where there are too few stars for the model that was asked for, a simpler one
    is taken, down to a shift by three stars. Fewer than 12 cannot spare any for validation: there
    the model with the least chi squared + 2 times its number of coefficients is taken (Akaike 1974,
    IEEE Trans. Autom. Control 19, 716; the stars' variances are known).

    Parameters
    ----------
    src, dst : float64 (n, 2), output and input positions of matched stars, px.
    weights : float64 (n,), 1 / variance, px^-2.
    edges : float64 (m, 2), points all over the part of the output frame that the input covers;
        may be empty.
    model : "auto" (from a similarity on), "polynomial" (the best order) or the name of a model.

    Raises ValueError, in words for people, when the stars cannot fix the model.
    """
    families = [
        m
        for m in (*PLAIN, *MODELS)
        if m.name == model or m.name.startswith(model + "-") or (model == "auto" and m in MODELS)
    ]
    able = [m for m in families if len(src) >= m.stars]
    instead = ""
    if model != "auto" and len(src) < families[0].stars:
        instead = f"'{model}' needs {families[0].stars} stars"
    if len(src) < FEW and families[0] not in PLAIN:
        able = [m for m in (*PLAIN, *MODELS) if m.stars <= min(len(src), families[-1].stars)]
    elif not able:
        able = [m for m in MODELS if len(src) >= m.stars]
    if not able:
        raise ValueError(f"{len(src)} matched stars, {PLAIN[0].stars} needed even for a shift")
    fits = [(m, clip(m, src, dst, weights, 1.0)) for m in able]
    if len(src) < FEW and model not in ("shift", "rotation"):
        return replace(_by_few(fits, src, dst, weights, edges), instead=instead)
    plain, agreed = able[0], int(np.count_nonzero(fits[0][1]))
    fits = [(m, kept) for m, kept in fits if np.count_nonzero(kept) >= m.stars]
    # The plainest model is used even when unsafe: there is no other, or it was asked for.
    fits = [
        (m, kept)
        for m, kept in fits
        if m is plain or _safe(m, src[kept], dst[kept], weights[kept], edges)
    ]
    if not fits:
        told = f"'{model}' needs {plain.stars} stars, only {agreed} of {len(src)} agree"
        if plain not in MODELS[1:]:
            raise ValueError(f"model {told}")
        # What is left of a match is still proof of a motion.
        return replace(
            choose(src, dst, weights, edges, MODELS[MODELS.index(plain) - 1].name), instead=told
        )
    errors = cross_validate(fits, src, dst, weights)
    per_px = float(weights.mean())
    best = errors[int(np.argmin([e.mean() for e in errors]))]
    first = next(i for i, squared in enumerate(errors) if _as_good(squared, best, per_px))
    chosen, kept = fits[first]
    transform = chosen.fit(src[kept], dst[kept], weights[kept])
    squared = ((transform.apply(src[kept]) - dst[kept]) ** 2).sum(axis=1)
    listing = ", ".join(
        f"{m.name} {np.sqrt(e.mean() / per_px):.3f}" for (m, _), e in zip(fits, errors, strict=True)
    )
    return Chosen(
        replace(
            transform,
            residual=float(np.sqrt(squared.mean())),
            matched=int(np.count_nonzero(kept)),
        ),
        kept,
        f"cross-validated px rms: {listing}",
        instead,
    )


def _by_few(
    fits: Sequence[tuple[Model, Array]], src: Array, dst: Array, weights: Array, edges: Array
) -> Chosen:
    """The model of the least Akaike criterion; pairs that it misses by 4 sigma count as such."""
    found = []
    for model, kept in fits:
        if np.count_nonzero(kept) < model.stars or model.name not in FREEDOM:
            continue
        with suppress(ValueError):
            transform = model.fit(src[kept], dst[kept], weights[kept])
            squared = ((transform.apply(src) - dst) ** 2).sum(axis=1) * weights
            score = np.minimum(squared, CLIP**2).sum() + 2.0 * FREEDOM[model.name]
            found.append((float(score), transform, kept))
    if not found:
        raise ValueError(f"too few of its {len(src)} matched stars agree on a motion")
    _, transform, kept = min(found, key=lambda one: one[0])
    error = edge_error(transform, src[kept], dst[kept], weights[kept], edges).max(initial=0.0)
    if error > ADRIFT:
        raise ValueError(
            f"its {np.count_nonzero(kept)} matched stars fix the map to {error:.1f} px only at the "
            f"frame's edge, {ADRIFT:g} px allowed"
        )
    rms = float(np.sqrt(((transform.apply(src[kept]) - dst[kept]) ** 2).sum(axis=1).mean()))
    listing = ", ".join(f"{t.model} {score:.1f}" for score, t, _ in found)
    return Chosen(
        replace(transform, residual=rms, matched=int(np.count_nonzero(kept))),
        kept,
        f"Akaike criterion: {listing}; known to {error:.2f} px at the edges",
    )


def _as_good(squared: Array, best: Array, weight: float) -> bool:
    """Whether errors are hardly above the best, or by less than a standard error.

    squared, best : float64 (n,), squared distances times weights. weight : mean weight, px^-2.
    """
    rms, least = (float(np.sqrt(e.mean() / weight)) for e in (squared, best))
    worse = squared - best
    return bool(
        rms <= max(SLACK * least, least + FINE) or worse.mean() <= worse.std() / np.sqrt(len(worse))
    )


def clip(model: Model, src: Array, dst: Array, weights: Array, expected: float = 0.0) -> Array:
    """Bool (n,): the pairs that agree with a model, by repeated 4 sigma clipping.

    The scale is the median distance over that of a Rayleigh distribution (1.1774 sigma), so up to
    half of the pairs may be wrong.

    expected : least scale, in units of 1 / sqrt(weight): 1 when the weights are 1 / variance, so
        that no star is dropped for errors it is known to have.
    """
    kept = np.ones(len(src), bool)
    for _ in range(20):
        if np.count_nonzero(kept) < model.stars:
            break
        try:
            transform = model.fit(src[kept], dst[kept], weights[kept])
        except ValueError:
            return np.zeros(len(src), bool)
        distance = np.hypot(*(transform.apply(src) - dst).T) * np.sqrt(weights)
        sigma = max(float(np.median(distance[kept])) / RAYLEIGH_MEDIAN, expected, 1e-9)
        now = distance <= CLIP * sigma
        if (now == kept).all():
            break
        kept = now
    return kept


def cross_validate(
    fits: Sequence[tuple[Model, Array]], src: Array, dst: Array, weights: Array
) -> list[Array]:
    """float64 (k,) for each model: squared distance times weight of each star from where others
    put it, cut off at 4 sigma of the model whose median is least, or of the stars themselves.

    fits : models, each with the pairs that agree with it, bool (n,). Folds take every tenth star,
    so the result is the same on every run; of very many stars an even selection is compared.
    """
    some = np.arange(0, len(src), max(1, len(src) // VALIDATED))
    fold = np.arange(len(some)) % min(FOLDS, len(some))
    errors = []
    for model, kept in fits:
        squared = np.full(len(some), np.inf)
        for k in range(int(fold.max()) + 1):
            test = some[fold == k]
            train = some[(fold != k) & kept[some]]
            try:
                transform = model.fit(src[train], dst[train], weights[train])
            except ValueError:
                continue
            offset = transform.apply(src[test]) - dst[test]
            squared[fold == k] = (offset**2).sum(axis=1) * weights[test]
        errors.append(squared)
    least = min(float(np.median(squared)) for squared in errors)
    limit = CLIP**2 * max(least / RAYLEIGH_MEDIAN**2, 1.0)
    return [np.minimum(squared, limit) for squared in errors]


def _safe(model: Model, src: Array, dst: Array, weights: Array, edges: Array) -> bool:
    """Whether a model is known to EDGE_ERROR px, and keeps its handedness, at all edges."""
    if model.name in ("shift", "rotation", "similarity") or len(edges) == 0:
        return True
    try:
        transform = model.fit(src, dst, weights)
    except ValueError:
        return False
    middle = src.mean(axis=0, keepdims=True)
    handed = np.linalg.det(transform.jacobian(np.vstack([middle, src, edges])))
    if not (handed * handed[0] > 0.0).all():
        return False
    return bool(edge_error(transform, src, dst, weights, edges).max() <= EDGE_ERROR)


def edge_error(
    transform: Transform, src: Array, dst: Array, weights: Array, points: Array
) -> Array:
    """float64 (m,): standard error per axis (px) of the map at `points`, from the fit's residuals.

    The covariance of the coefficients is s^2 (J^T W J)^-1, as for any least-squares fit, with the
    residual variance s^2 on the fit's degrees of freedom. Of a shift, a rotation or a similarity it
    is s^2 (1 / W + d^2 / I), with W the sum of weights, d the distance from the stars' centre and I
    the weighted sum of their own squared distances from it (no d for a shift); there s is not
    taken below 1, as a few stars may agree by luck.
    """
    if transform.model in FREEDOM and transform.model != "affine":
        return _plain_edge_error(transform, src, dst, weights, points)
    if transform.model == "homography":
        # Centred and scaled, so that the normal equations are well conditioned.
        norm = normalisation(src)
        back = np.array([[norm[2], 0, norm[0]], [0, norm[2], norm[1]], [0, 0, 1.0]])
        matrix = transform.matrix @ back
        matrix = matrix / matrix[2, 2]
        design = homography_jacobian(matrix, (src - norm[:2]) / norm[2])[0]
        at = homography_jacobian(matrix, (points - norm[:2]) / norm[2])[0]
        each = np.repeat(weights, 2)
        freedom = 2 * len(src) - 8
    else:
        order = int(transform.model[-1]) if transform.model.startswith("poly") else 1
        norm = normalisation(src)
        design = monomials((src - norm[:2]) / norm[2], order)
        at = monomials((points - norm[:2]) / norm[2], order)
        each = weights
        freedom = 2 * (len(src) - design.shape[1])
    residual = (((transform.apply(src) - dst) ** 2).sum(axis=1) * weights).sum()
    variance = residual / max(freedom, 1)
    try:
        lower, size = factor(design, each)
    except ValueError:
        return np.full(len(points), np.inf)
    # With the normal matrix L L^T the standard error at a point with row a is |L^-1 a| s.
    spread = np.linalg.solve(lower, (at / size).T)
    errors = np.sqrt((spread**2).sum(axis=0) * variance)
    return errors if len(errors) == len(points) else errors.reshape(-1, 2).max(axis=1)


def _plain_edge_error(
    transform: Transform, src: Array, dst: Array, weights: Array, points: Array
) -> Array:
    freedom = 2 * len(src) - FREEDOM[transform.model]
    residual = float((((transform.apply(src) - dst) ** 2).sum(axis=1) * weights).sum())
    variance = max(residual / max(freedom, 1), 1.0)
    centre = (weights[:, None] * src).sum(axis=0) / weights.sum()
    away = ((points - centre) ** 2).sum(axis=1) * (transform.model != "shift")
    spread = max(float((weights * ((src - centre) ** 2).sum(axis=1)).sum()), 1e-9)
    return np.asarray(np.sqrt(variance * (1.0 / weights.sum() + away / spread)))
