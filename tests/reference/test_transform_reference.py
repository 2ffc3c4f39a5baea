"""Fits of transforms against scikit-image, numpy and published examples."""

from __future__ import annotations

import numpy as np
import pytest
from skimage import transform as outside

from coldframe_steps.register.transform import (
    Transform,
    fit_affine,
    fit_homography,
    fit_polynomial,
    fit_similarity,
)

MATRICES = {
    "similarity": np.array([[0.9, -0.3, 100.0], [0.3, 0.9, -50.0], [0.0, 0.0, 1.0]]),
    "affine": np.array([[0.9, -0.3, 100.0], [0.1, 1.1, -50.0], [0.0, 0.0, 1.0]]),
    "homography": np.array([[0.9, -0.3, 100.0], [0.1, 1.1, -50.0], [1e-5, 2e-5, 1.0]]),
}
FITS = {"similarity": fit_similarity, "affine": fit_affine, "homography": fit_homography}
# scikit-image: similarity by Umeyama 1991; affine and projective by the normalised DLT of
# Hartley & Zisserman.
OUTSIDE = {
    "similarity": outside.SimilarityTransform,
    "affine": outside.AffineTransform,
    "homography": outside.ProjectiveTransform,
}


def field(noise, count=60):
    rng = np.random.default_rng(11)
    return rng.uniform(0, 4000, (count, 2)), rng.normal(0, noise, (count, 2))


def rms(offset):
    return float(np.sqrt((offset**2).sum(axis=1).mean()))


@pytest.mark.parametrize("model", MATRICES)
def test_exact_pairs_give_the_same_map_as_scikit_image(model):
    src, _ = field(0.0)
    dst = Transform(MATRICES[model], model).apply(src)
    ours = FITS[model](src, dst, np.ones(len(src)))
    theirs = OUTSIDE[model].from_estimate(src, dst)
    np.testing.assert_allclose(ours.apply(src), theirs(src), atol=1e-6)
    np.testing.assert_allclose(ours.matrix, theirs.params, rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize("model", MATRICES)
def test_noisy_pairs_are_fitted_at_least_as_well_as_by_scikit_image(model):
    src, noise = field(0.3)
    dst = Transform(MATRICES[model], model).apply(src) + noise
    ours = FITS[model](src, dst, np.ones(len(src)))
    theirs = OUTSIDE[model].from_estimate(src, dst)
    # Theirs minimises an algebraic distance for affine and projective maps, ours the distance.
    assert rms(ours.apply(src) - dst) <= rms(theirs(src) - dst) + 1e-9
    tolerance = {"similarity": 1e-8, "affine": 0.002, "homography": 0.05}[model]
    np.testing.assert_allclose(ours.apply(src), theirs(src), atol=tolerance)


@pytest.mark.parametrize("order", [2, 3, 4])
def test_polynomials_equal_numpy_least_squares_and_scikit_image(order):
    src, noise = field(0.1)
    q = (src - 2000) / 2000
    dst = (
        src + np.column_stack([5 * q[:, 0] ** 2 + 3 * q[:, 1] ** 3, 4 * q[:, 0] * q[:, 1]]) + noise
    )
    ours = fit_polynomial(src, dst, np.ones(len(src)), order).apply(src)
    powers = [(i, j) for i in range(order + 1) for j in range(order + 1 - i)]
    design = np.column_stack([q[:, 0] ** i * q[:, 1] ** j for i, j in powers])
    numpy_fit = design @ np.linalg.lstsq(design, dst, rcond=None)[0]
    np.testing.assert_allclose(ours, numpy_fit, atol=1e-8)
    # scikit-image solves the homogeneous system, which is not quite least squares.
    theirs = outside.PolynomialTransform.from_estimate(q, dst, order=order)(q)
    np.testing.assert_allclose(ours, theirs, atol=0.002)


@pytest.mark.parametrize("mirrored", [False, True])
def test_similarity_reaches_umeyamas_least_error(mirrored):
    """Umeyama 1991, IEEE PAMI 13, 376, lemma: the least mean squared error over all similarities
    is var(y) - trace(D S)^2 / var(x), here with S = I because a reflection is allowed."""
    src, noise = field(40.0)
    dst = Transform(MATRICES["similarity"], "").apply(src * ([-1, 1] if mirrored else 1)) + noise
    x, y = src - src.mean(axis=0), dst - dst.mean(axis=0)
    values = np.linalg.svd(y.T @ x / len(x), compute_uv=False)
    var_x, var_y = ((z**2).sum(axis=1).mean() for z in (x, y))
    least = var_y - values.sum() ** 2 / var_x
    ours = fit_similarity(src, dst, np.ones(len(src)))
    assert rms(ours.apply(src) - dst) ** 2 == pytest.approx(least, rel=1e-9)


def test_similarity_of_umeyamas_mirrored_triangle():
    """The points of the same paper's example, from memory: a triangle and its mirror image."""
    x = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 2.0]])
    y = np.array([[0.0, 0.0], [-1.0, 0.0], [0.0, 2.0]])
    np.testing.assert_allclose(
        fit_similarity(x, y, np.ones(3)).matrix, np.diag([-1.0, 1.0, 1.0]), atol=1e-12
    )


def test_four_points_fix_a_homography():
    """A unit square onto a quadrilateral: Heckbert 1989, Fundamentals of Texture Mapping, 2.2.3."""
    square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    quad = np.array([[10.0, 10.0], [30.0, 12.0], [26.0, 31.0], [8.0, 25.0]])
    d1, d2 = quad[1] - quad[2], quad[3] - quad[2]
    s = quad[0] - quad[1] + quad[2] - quad[3]
    det = d1[0] * d2[1] - d2[0] * d1[1]
    g = (s[0] * d2[1] - d2[0] * s[1]) / det
    h = (d1[0] * s[1] - s[0] * d1[1]) / det
    heckbert = np.array(
        [
            [*(quad[1] - quad[0] + g * quad[1]), g],
            [*(quad[3] - quad[0] + h * quad[3]), h],
            [*quad[0], 1.0],
        ]
    ).T
    ours = fit_homography(square, quad, np.ones(4))
    np.testing.assert_allclose(ours.matrix, heckbert, atol=1e-8)
