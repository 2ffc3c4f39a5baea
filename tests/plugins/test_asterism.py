"""Star lists matched whatever lies between them, and unrelated fields refused."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldframe.frame import Array
from coldframe_steps.register.asterism import Pose, all_triples, near_triples, poses, triangles
from coldframe_steps.register.match import NoMatch, match_stars


@dataclass
class Pair:
    """Two star lists, brightest first, with the true identity of each star (-1: in one only)."""

    own: Array
    ref: Array
    own_id: Array
    ref_id: Array
    common: int

    def shares(self):
        """How many pairs are right, of those found, and of those there are."""
        pairs = match_stars(self.own, self.ref).pairs
        mine, theirs = self.own_id[pairs[:, 0]], self.ref_id[pairs[:, 1]]
        right = np.count_nonzero((mine == theirs) & (mine >= 0))
        return right / len(pairs), right / self.common


def make(
    common,
    count,
    seed,
    angle=None,
    scale=1.0,
    shift=None,
    mirrored=False,
    shape=(2000, 3000),
    noise=0.15,
    bend=0.0,
    hot=0,
    dimming=0.1,
):
    """Lists of `count` stars, `common` of them in both, and `hot` false stars that never move."""
    rng = np.random.default_rng(seed)
    size = np.array([shape[1], shape[0]], float)
    centre, radius = size / 2, np.hypot(*size) / 2
    angle = rng.uniform(0, 2 * np.pi) if angle is None else np.radians(angle)
    shift = rng.uniform(-0.1, 0.1, 2) * min(shape) if shift is None else np.array(shift)
    turn = scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    if mirrored:
        turn = turn @ np.diag([-1.0, 1.0])

    def lens(xy):
        q = (xy - centre) / radius
        return xy + bend * radius * q * (q**2).sum(axis=1, keepdims=True)

    sky = rng.uniform(0, 1, (20 * common + 200, 2)) * size
    moved = (sky - centre) @ turn.T + centre + shift
    seen = ((moved > 0) & (moved < size)).all(axis=1)
    sky, moved = lens(sky[seen][:common]), lens(moved[seen][:common])
    light = rng.pareto(1.0, common) + 1
    fixed = rng.uniform(0, 1, (hot, 2)) * size
    fixed_light = 20 * (rng.pareto(1.0, hot) + 1)
    lists = []
    for stars in (moved, sky):
        extra = count - common
        xy = np.vstack([stars, rng.uniform(0, 1, (extra, 2)) * size])
        xy = np.vstack([xy + rng.normal(0, noise, xy.shape), fixed + rng.normal(0, 0.01, (hot, 2))])
        flux = np.concatenate(
            [light * rng.lognormal(0, dimming, common), rng.pareto(1.0, extra) + 1, fixed_light]
        )
        who = np.concatenate([np.arange(common), -np.ones(extra + hot)])
        order = np.argsort(-flux)
        lists.append((xy[order], who[order]))
    (own, own_id), (ref, ref_id) = lists
    return Pair(own, ref, own_id, ref_id, common)


CASES = {
    "15 stars": {"common": 15, "count": 15},
    "15 stars, 60% unmatched": {"common": 6, "count": 15},
    "20 stars, 60% unmatched": {"common": 8, "count": 20},
    "50 stars, 60% unmatched": {"common": 20, "count": 50},
    "300 stars, 60% unmatched": {"common": 120, "count": 300},
    "mirrored": {"common": 120, "count": 300, "mirrored": True},
    "scale 2": {"common": 120, "count": 300, "scale": 2.0},
    "scale 0.4": {"common": 120, "count": 300, "scale": 0.4, "shift": (5.0, -3.0)},
    "meridian flip": {"common": 120, "count": 300, "angle": 180.0, "shift": (12.0, 30.0)},
    "brightness hardly agrees": {"common": 120, "count": 300, "dimming": 1.0},
    "bent by a lens": {"common": 200, "count": 500, "bend": 0.03},
    "bent the other way, flipped": {"common": 200, "count": 500, "bend": -0.05, "angle": 180.0},
    "dense": {"common": 1200, "count": 3000, "shape": (900, 900)},
    "60 hot pixels": {"common": 120, "count": 300, "hot": 60},
    "more hot pixels than stars": {"common": 40, "count": 100, "hot": 150},
    "hot pixels, flipped": {"common": 40, "count": 100, "hot": 100, "angle": 180.0},
    "hot pixels, shift 3 px": {
        "common": 40, "count": 100, "hot": 100, "angle": 0.0, "shift": (3.0, 1.0), "noise": 0.05
    },
    "hot pixels, shift 0.8 px": {
        "common": 40, "count": 100, "hot": 100, "angle": 0.0, "shift": (0.8, 0.1), "noise": 0.05
    },
    "nothing moved": {"common": 40, "count": 100, "angle": 0.0, "shift": (0.0, 0.0)},
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_matches(case):
    for seed in range(3):
        right, found = make(seed=seed, **CASES[case]).shares()
        assert right > 0.9
        assert found > 0.9


def test_twenty_thousand_stars_of_which_60_percent_are_in_one_list_only():
    right, found = make(8000, 20000, seed=1, shape=(4000, 6000)).shares()
    assert right > 0.9
    assert found > 0.97


@settings(max_examples=15, deadline=None)
@given(st.floats(-180, 180), st.booleans(), st.integers(0, 1000))
def test_any_angle(angle, mirrored, seed):
    pair = make(30, 60, seed, angle=angle, mirrored=mirrored, shape=(800, 1000))
    right, found = pair.shares()
    assert right > 0.9
    assert found > 0.9


def test_the_result_is_the_same_every_time():
    pair = make(120, 300, seed=3, hot=20)
    first, second = match_stars(pair.own, pair.ref), match_stars(pair.own, pair.ref)
    np.testing.assert_array_equal(first.pairs, second.pairs)
    np.testing.assert_array_equal(first.transform.matrix, second.transform.matrix)


@pytest.mark.parametrize(
    ("count", "side", "trials"), [(5, 300, 60), (12, 300, 200), (15, 1000, 150), (40, 300, 8)]
)
def test_unrelated_fields_are_refused(count, side, trials):
    for seed in range(trials):
        rng = np.random.default_rng([seed, count])
        with pytest.raises(NoMatch, match=f"{count} stars"):
            match_stars(*(rng.uniform(0, side, (count, 2)) for _ in range(2)))


def test_unrelated_clusters_are_refused():
    for seed in range(2):
        rng = np.random.default_rng(seed)
        with pytest.raises(NoMatch, match="beyond chance"):
            match_stars(*(rng.normal(250, 70, (600, 2)) for _ in range(2)))


def test_unrelated_fields_with_the_same_hot_pixels_are_the_sensor_not_the_sky():
    # The pattern itself is all that agrees; it is reported as what it is: no motion.
    rng = np.random.default_rng(4)
    hot = rng.uniform(0, 900, (80, 2))
    own, ref = (np.vstack([hot, rng.uniform(0, 900, (60, 2))]) for _ in range(2))
    found = match_stars(own, ref)
    np.testing.assert_allclose(found.transform.apply(ref), ref, atol=0.2)


@pytest.mark.parametrize("count", [0, 1, 3])
def test_too_few_stars(count):
    with pytest.raises(NoMatch):
        match_stars(np.zeros((count, 2)), np.random.default_rng(0).uniform(0, 99, (50, 2)))


def test_chance_is_told_and_small():
    pair = make(6, 15, seed=2)
    assert match_stars(pair.own, pair.ref).log10_chance < -6


@settings(max_examples=50)
@given(
    st.floats(-180, 180),
    st.floats(0.1, 10),
    st.floats(-1e4, 1e4),
    st.booleans(),
    st.integers(0, 99),
)
def test_triangle_shapes_do_not_change_under_a_similarity(angle, scale, shift, mirrored, seed):
    xy = np.random.default_rng(seed).uniform(0, 1000, (8, 2))
    a = scale * np.exp(1j * np.radians(angle))
    pose = Pose(a, complex(shift, -shift), mirrored, 0)
    moved = xy @ pose.matrix[:2, :2].T + pose.matrix[:2, 2]
    here = triangles(xy, all_triples(8), 0.0)
    there = triangles(moved, all_triples(8), 0.0)
    assert here.shape.shape == there.shape.shape
    np.testing.assert_allclose(here.shape, there.shape, atol=1e-8)
    np.testing.assert_array_equal(here.corners, there.corners)
    np.testing.assert_array_equal(here.turn, there.turn * (-1 if mirrored else 1))


def test_near_triples_hold_each_star_with_its_neighbours_once():
    xy = np.random.default_rng(1).uniform(0, 100, (30, 2))
    triples = near_triples(xy, 4)
    assert len(np.unique(triples, axis=0)) == len(triples)
    assert (np.diff(triples, axis=1) > 0).all()
    assert set(triples.ravel()) == set(range(30))
    np.testing.assert_array_equal(near_triples(xy[:3], 9), [[0, 1, 2]])


def test_the_first_pose_is_the_true_one():
    pair = make(40, 40, seed=5, angle=75.0, noise=0.0)
    sets = [triangles(xy, all_triples(40), 20.0) for xy in (pair.own, pair.ref)]
    first = next(poses(pair.own, pair.ref, *sets))
    assert np.degrees(np.angle(first.a)) == pytest.approx(75.0, abs=0.1)
    assert abs(first.a) == pytest.approx(1.0, abs=1e-3)
    assert first.votes > 1000
