"""Robust fits of a transform to matched stars, and the choice of the simplest adequate model."""

from __future__ import annotations

from collections.abc import Callable, Sequence
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


@dataclass(frozen=True, slots=True)
class Chosen:
    """A transform with the pairs it was fitted to (bool (n,)) and a reason for people."""

    transform: Transform
    kept: Array
    reason: str


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
    corner is not used.

    Parameters
    ----------
    src, dst : float64 (n, 2), output and input positions of matched stars, px.
    weights : float64 (n,), 1 / variance, px^-2.
    edges : float64 (m, 2), points all over the part of the output frame that the input covers;
        may be empty.
    model : "auto", "polynomial" (the best order) or the name of a model.

    Raises ValueError, in words for people, when the stars cannot fix the model.
    """
    families = [m for m in MODELS if model in ("auto", m.name) or m.name.startswith(model + "-")]
    able = [m for m in families if len(src) >= m.stars]
    if not able:
        raise ValueError(
            f"{len(src)} matched stars, {families[0].stars} needed for model '{model}'"
        )
    fits = [(m, clip(m, src, dst, weights, 1.0)) for m in able]
    plain, agreed = able[0], int(np.count_nonzero(fits[0][1]))
    fits = [(m, kept) for m, kept in fits if np.count_nonzero(kept) >= m.stars]
    # The plainest model is used even when unsafe: there is no other, or it was asked for.
    fits = [
        (m, kept)
        for m, kept in fits
        if m is plain or _safe(m, src[kept], dst[kept], weights[kept], edges)
    ]
    if not fits:
        raise ValueError(
            f"only {agreed} of {len(src)} matched stars agree, {plain.stars} needed for model "
            f"'{model}'"
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
    if model.name == "similarity" or len(edges) == 0:
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
    residual variance s^2 on the fit's degrees of freedom.
    """
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
