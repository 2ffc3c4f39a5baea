"""Fits of maps to point pairs, their round trips, and the choice between models."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coldframe_steps.register.choose import MODELS, choose, clip, edge_error
from coldframe_steps.register.transform import (
    Transform,
    fit_affine,
    fit_homography,
    fit_polynomial,
    fit_similarity,
    geometry,
)

EDGES = np.array([[0.0, 0.0], [999.0, 0.0], [0.0, 799.0], [999.0, 799.0]])
NONE = np.zeros((0, 2))


def points(seed, count=40):
    return np.random.default_rng(seed).uniform((0, 0), (1000, 800), (count, 2))


def similarity(angle, scale, dx, dy, mirrored=False):
    c, s = scale * np.cos(np.radians(angle)), scale * np.sin(np.radians(angle))
    matrix = np.array([[c, -s, dx], [s, c, dy], [0.0, 0.0, 1.0]])
    return matrix @ np.diag([-1.0, 1.0, 1.0]) if mirrored else matrix


angles = st.floats(-180, 180)
scales = st.floats(0.2, 5.0)
shifts = st.floats(-3000, 3000)
seeds = st.integers(0, 10_000)


@given(angles, scales, shifts, shifts, st.booleans(), seeds)
def test_similarity_round_trip(angle, scale, dx, dy, mirrored, seed):
    src = points(seed, 5)
    true = Transform(similarity(angle, scale, dx, dy, mirrored), "similarity")
    dst = true.apply(src)
    there = fit_similarity(src, dst, np.ones(5))
    np.testing.assert_allclose(there.matrix, true.matrix, atol=1e-8 * max(1, abs(dx), abs(dy)))
    back = fit_similarity(dst, src, np.ones(5))
    np.testing.assert_allclose(back.apply(there.apply(src)), src, atol=1e-6)
    seen = geometry(there, (0.0, 0.0))
    assert seen.mirrored == mirrored
    assert seen.scale == pytest.approx(scale, rel=1e-6)
    turn = (seen.rotation - angle + 180) % 360 - 180
    assert abs(turn) < 1e-4
    np.testing.assert_allclose([seen.shift_x, seen.shift_y], [dx, dy], atol=1e-6)


@given(seeds, st.lists(st.floats(-0.3, 0.3), min_size=4, max_size=4), shifts, shifts)
def test_affine_round_trip(seed, skew, dx, dy):
    matrix = np.eye(3)
    matrix[:2, :2] += np.reshape(skew, (2, 2))
    matrix[:2, 2] = dx, dy
    src = points(seed, 8)
    dst = Transform(matrix, "affine").apply(src)
    np.testing.assert_allclose(fit_affine(src, dst, np.ones(8)).apply(src), dst, atol=1e-7)
    back = fit_affine(dst, src, np.ones(8))
    np.testing.assert_allclose(back.apply(dst), src, atol=1e-6)


@given(seeds, st.floats(-2e-4, 2e-4), st.floats(-2e-4, 2e-4), angles)
def test_homography_round_trip(seed, g, h, angle):
    matrix = similarity(angle, 1.1, 30.0, -20.0)
    matrix[2, :2] = g, h
    src = points(seed, 12)
    dst = Transform(matrix, "homography").apply(src)
    fitted = fit_homography(src, dst, np.ones(12))
    np.testing.assert_allclose(fitted.apply(src), dst, atol=1e-5)
    back = fit_homography(dst, src, np.ones(12))
    np.testing.assert_allclose(back.apply(dst), src, atol=1e-5)


@given(seeds, st.integers(2, 4))
def test_polynomial_reproduces_polynomials(seed, order):
    rng = np.random.default_rng(seed)
    src = points(seed, 60)
    x, y = ((src - (500, 400)) / 500).T
    extra = np.zeros_like(src)
    for i in range(order + 1):
        for j in range(order + 1 - i):
            extra += np.outer(x**i * y**j, rng.normal(0, 3, 2))
    fitted = fit_polynomial(src, src + extra, np.ones(60), order)
    np.testing.assert_allclose(fitted.apply(src), src + extra, atol=1e-8)


def test_weights_decide_between_contradicting_points():
    src = np.vstack([points(0), points(0)])
    dst = np.vstack([points(0) + 5.0, points(0) - 5.0])
    weights = np.repeat([1.0, 1e-12], 40)
    for fit in (fit_similarity, fit_affine, fit_homography):
        np.testing.assert_allclose(fit(src, dst, weights).apply(points(0)), dst[:40], atol=1e-6)


@pytest.mark.parametrize("fit", [fit_affine, fit_homography])
def test_points_on_a_line_do_not_fix_a_map(fit):
    src = np.column_stack([np.arange(20.0), 2 * np.arange(20.0)])
    with pytest.raises(ValueError, match="line"):
        fit(src, src + 1, np.ones(20))


def test_one_place_does_not_fix_a_similarity():
    with pytest.raises(ValueError, match="do not fix"):
        fit_similarity(np.ones((5, 2)), points(1, 5), np.ones(5))


def test_stars_on_a_line_are_not_taken_as_mirrored():
    src = np.column_stack([np.arange(20.0), 2 * np.arange(20.0)])
    fitted = fit_similarity(src, src * 2 + 3, np.ones(20))
    np.testing.assert_allclose(fitted.matrix, [[2, 0, 3], [0, 2, 3], [0, 0, 1]], atol=1e-9)


def lens(src, amount):
    q = (src - (500, 400)) / 640
    return amount * q * (q**2).sum(axis=1, keepdims=True)


SHAPES = {
    "similarity": lambda s: Transform(similarity(33, 1.0, 5, -3), "").apply(s),
    "affine": lambda s: s @ np.array([[1.0, 0.01], [-0.004, 1.006]]) + (3, 4),
    "homography": lambda s: Transform(
        np.array([[1, 0.01, 5], [-0.01, 1, 2], [4e-6, -3e-6, 1.0]]), ""
    ).apply(s),
    "polynomial-2": lambda s: s + np.column_stack([0 * s[:, 0], 1e-6 * (s[:, 0] - 500) ** 2]) * 2,
    "polynomial-3": lambda s: s + lens(s, 1.0),
}


@pytest.mark.parametrize("model", SHAPES)
@pytest.mark.parametrize("count", [150, 1500])
def test_the_simplest_adequate_model_is_chosen(model, count):
    for seed in range(3):
        src = points(seed, count)
        rng = np.random.default_rng(seed + 100)
        dst = SHAPES[model](src) + rng.normal(0, 0.05, src.shape)
        chosen = choose(src, dst, np.full(count, 400.0), EDGES)
        assert chosen.transform.model == model
        assert chosen.transform.residual == pytest.approx(0.05 * np.sqrt(2), rel=0.2)
        error = chosen.transform.apply(EDGES) - SHAPES[model](EDGES)
        assert np.abs(error).max() < 0.1


def test_wrong_pairs_are_clipped_and_counted():
    src = points(5, 300)
    rng = np.random.default_rng(5)
    dst = SHAPES["affine"](src) + rng.normal(0, 0.05, src.shape)
    wrong = rng.random(300) < 0.25
    dst[wrong] += rng.uniform(-8, 8, (wrong.sum(), 2))
    chosen = choose(src, dst, np.full(300, 400.0), EDGES)
    assert chosen.transform.model == "affine"
    assert chosen.transform.matched == np.count_nonzero(chosen.kept)
    assert np.count_nonzero(chosen.kept & wrong) <= 5
    assert np.count_nonzero(chosen.kept & ~wrong) > 0.97 * np.count_nonzero(~wrong)


def test_a_polynomial_that_no_star_holds_in_the_corners_is_not_used():
    rng = np.random.default_rng(6)
    src = rng.uniform((400, 300), (600, 500), (80, 2))
    dst = src + 0.5 * lens(src, 1.0) + rng.normal(0, 0.05, src.shape)
    weights = np.full(80, 400.0)
    error = {
        m.name: edge_error(m.fit(src, dst, weights), src, dst, weights, EDGES).max()
        for m in MODELS[1:]
    }
    assert error["affine"] < error["polynomial-2"] < error["polynomial-3"] < error["polynomial-4"]
    assert error["polynomial-3"] > 0.3
    chosen = choose(src, dst, weights, EDGES)
    assert chosen.transform.model in ("similarity", "affine")
    assert np.abs(chosen.transform.apply(EDGES) - EDGES).max() < 3


def test_edge_error_is_the_scatter_of_repeated_fits():
    src = points(7, 60)
    truth = SHAPES["homography"](src)
    for model in MODELS[1:4]:
        guesses, told = [], []
        for seed in range(150):
            dst = truth + np.random.default_rng(seed).normal(0, 0.1, src.shape)
            fitted = model.fit(src, dst, np.full(60, 1.0))
            guesses.append(fitted.apply(EDGES))
            if model.name != "affine":  # which cannot follow this truth
                told.append(edge_error(fitted, src, dst, np.ones(60), EDGES))
        if told:
            scatter = np.std(guesses, axis=0).max(axis=1)
            np.testing.assert_allclose(np.mean(told, axis=0), scatter, rtol=0.2)


def test_a_model_that_is_asked_for_is_used_or_gives_way_in_words():
    src = points(8, 60)
    dst = SHAPES["similarity"](src)
    ones = np.ones(60)
    assert choose(src, dst, ones, EDGES, "homography").transform.model == "homography"
    assert choose(src, dst, ones, EDGES, "polynomial").transform.model == "polynomial-2"
    assert choose(src, dst, ones, EDGES, "rotation").transform.model == "rotation"
    few = choose(src[:9], dst[:9], ones[:9], EDGES, "homography")
    assert few.transform.model in ("rotation", "similarity")  # the errors claimed here are 1 px
    assert few.instead == "'homography' needs 12 stars"
    np.testing.assert_allclose(few.transform.apply(EDGES), SHAPES["similarity"](EDGES), atol=2.0)
    rng = np.random.default_rng(8)
    scattered = np.vstack([dst[:11], rng.uniform(0, 1000, (1, 2))])
    less = choose(src[:12], scattered, ones[:12], NONE, "homography")
    assert less.instead.startswith("'homography' needs 12 stars, only ")
    np.testing.assert_allclose(less.transform.apply(EDGES), SHAPES["similarity"](EDGES), atol=1e-6)
    with pytest.raises(ValueError, match="2 matched stars, 3 needed even for a shift"):
        choose(src[:2], dst[:2], ones[:2], EDGES, "affine")


@pytest.mark.parametrize("count", [3, 5, 8])
def test_the_akaike_criterion_finds_the_plain_motion_of_a_few_stars(count):
    # Truth: the map itself; the error of a mean of n places is sigma / sqrt(n), of a rotation's
    # edge a few times that (any textbook on least squares).
    rng = np.random.default_rng(count)
    edges = np.array([[0, 0], [900, 0], [0, 900], [900, 900.0]])
    turn = np.radians(0.3)
    plain = {
        "shift": (np.eye(2), np.array([7.0, -4.0])),
        "rotation": (
            np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]),
            np.array([3.0, 5.0]),
        ),
    }
    for name, (linear, shift) in plain.items():
        found, misses = [], []
        for _ in range(40):
            src = rng.uniform(100, 800, (count, 2))
            dst = src @ linear.T + shift + rng.normal(0, 0.1, src.shape)
            chosen = choose(src, dst, np.full(count, 100.0), edges, "affine")
            found.append(chosen.transform.model)
            truth = edges @ linear.T + shift
            misses.append(np.hypot(*(chosen.transform.apply(edges) - truth).T).mean())
        assert found.count(name) > 20, name
        assert np.sqrt(np.mean(np.square(misses))) < 0.4


def test_clip_survives_pairs_that_fix_nothing():
    src = np.column_stack([np.arange(20.0), np.arange(20.0)])
    assert not clip(MODELS[1], src, src, np.ones(20)).any()
