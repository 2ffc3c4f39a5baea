"""What must hold for every rule, whatever the samples are."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numba import njit
from numpy.typing import NDArray

from coldframe.frame import UNUSABLE, Flag
from coldframe_steps.combine.rejection import RULES, rule_of
from coldframe_steps.kernels import options
from coldframe_steps.kernels.network import (
    empty_block,
    merge_lanes,
    merging_steps,
    middles,
    rows_for,
    sort_lanes,
    sorting_steps,
)
from coldframe_steps.kernels.options import Rule, Softening, margin
from coldframe_steps.kernels.plain import TOGETHER
from coldframe_steps.kernels.samples import STRIP
from coldframe_steps.kernels.simd import WIDE
from coldframe_steps.kernels.stack import reduce_tile

DEFAULTS = {
    "low": 3.0,
    "high": 2.5,
    "iterations": 0,
    "lowest": 1,
    "highest": 2,
    "alpha": 0.05,
    "most_rejected": 0.4,
}
ALL_RULES = [rule_of({**DEFAULTS, "reject": name}) for name in RULES]

# Digitised values, so that ties are common, with far outliers among them.
VALUES = st.one_of(
    st.integers(0, 6).map(float),
    st.floats(-1e6, 1e6, width=32),
    st.sampled_from([0.0, 65535.0, 1e30, -1e30]),
)
FLAGS = st.sampled_from([0, 0, 0, 1, 2, 8, 16, 24, 64, 255])


@st.composite
def stacks(draw: st.DrawFn) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    n = draw(st.integers(1, 9))
    shape = (n, draw(st.integers(1, 5)), draw(st.sampled_from([1, 3, STRIP, STRIP + WIDE + 2])))
    data = draw(
        arrays(np.float32, shape, elements=VALUES.map(np.float32), fill=st.just(np.float32(3)))
    )
    flags = draw(arrays(np.uint8, shape, elements=FLAGS, fill=st.just(0)))
    return data, flags


RULE = st.sampled_from(ALL_RULES)


def test_the_rules_names_stand_for_their_codes() -> None:
    codes = [
        options.NONE,
        options.MIN_MAX,
        options.SIGMA_CLIP,
        options.WINSORISED,
        options.MAD_CLIP,
    ]
    assert [rule.code for rule in ALL_RULES] == [*codes, options.ESD]


@njit
def _sort(block, pairs, merge):  # type: ignore[no-untyped-def]
    if merge:
        merge_lanes(block, pairs)
    else:
        sort_lanes(block, pairs)


@pytest.mark.parametrize("n", [*range(1, 34), 64, 100, 333])
def test_the_network_sorts(n: int) -> None:
    rng = np.random.default_rng(n)
    block = empty_block(rows_for(n))
    block[:] = np.inf
    block[:n] = rng.integers(0, max(2, n // 2), (n, WIDE))
    # Knuth 5.3.4, theorem Z: a network that sorts all 0-1 sequences sorts anything.
    block[:n, ::2] = rng.random((n, WIDE // 2)) < rng.random(WIDE // 2)
    few = block.copy()
    expected = np.sort(block, axis=0)
    _sort(block, sorting_steps(n), False)
    np.testing.assert_array_equal(block, expected)
    _sort(few, sorting_steps(n, median_only=True), False)
    places = [0, n - 1, *middles(n)]
    np.testing.assert_array_equal(few[places], expected[places])


@pytest.mark.parametrize("n", [*range(1, 34), 64, 100, 333])
def test_the_merging_network_sorts_what_falls_and_rises(n: int) -> None:
    rng = np.random.default_rng(n)
    block = empty_block(rows_for(n))
    block[:n] = np.sort(rng.normal(0, 1, (n, WIDE)), axis=0)
    block[:n] = np.abs(block[:n] - rng.normal(0, 1, WIDE).astype(np.float32))
    block[n:] = np.inf
    few = block.copy()
    expected = np.sort(block, axis=0)
    _sort(block, merging_steps(n), True)
    np.testing.assert_array_equal(block, expected)
    _sort(few, merging_steps(n, median_only=True), True)
    np.testing.assert_array_equal(few[list(middles(n))], expected[list(middles(n))])


@settings(max_examples=150, deadline=None)
@given(stacks(), RULE, st.booleans())
def test_every_sample_is_accounted_for_and_flags_never_leak(
    stack: tuple[NDArray[np.float32], NDArray[np.uint8]], rule: Rule, median: bool
) -> None:
    data, flags = stack
    planes = reduce_tile(data, flags, rule=rule, median=median)
    good = (flags & UNUSABLE) == 0
    flagged = (~good).sum(axis=0)
    total = sum(planes[name].astype(int) for name in ("count", "low", "high"))
    np.testing.assert_array_equal(total + flagged, len(data))
    empty = flagged == len(data)
    np.testing.assert_array_equal(planes["count"] == 0, empty)
    np.testing.assert_array_equal((planes["flags"] & Flag.NO_DATA) != 0, empty)
    assert not np.any(planes["flags"] & Flag.TRANSIENT)
    assert np.all(planes["data"][empty] == 0)
    for name in ("data", "variance", "weight"):
        assert np.all(np.isfinite(planes[name])) or np.abs(data).max() > 1e19, name
    # The result lies among the usable samples, and what is flagged can be anything.
    lowest = np.where(good, data, np.inf).min(axis=0)
    highest = np.where(good, data, -np.inf).max(axis=0)
    slack = 1e-6 * np.maximum(np.abs(lowest), np.abs(highest))[~empty]
    assert np.all(planes["data"][~empty] >= lowest[~empty] - slack)
    assert np.all(planes["data"][~empty] <= highest[~empty] + slack)
    spoilt = np.where(good, data, np.float32(np.nan))
    for name, plane in reduce_tile(spoilt, flags, rule=rule, median=median).items():
        assert plane.tobytes() == planes[name].tobytes(), name


@settings(max_examples=100, deadline=None)
@given(stacks(), RULE, st.randoms(use_true_random=False), st.booleans())
def test_the_order_of_the_frames_does_not_matter(
    stack: tuple[NDArray[np.float32], NDArray[np.uint8]], rule: Rule, random: object, median: bool
) -> None:
    data, flags = stack
    order = list(range(len(data)))
    random.shuffle(order)  # type: ignore[attr-defined]
    one = reduce_tile(data, flags & UNUSABLE, rule=rule, median=median)
    other = reduce_tile(data[order], flags[order] & UNUSABLE, rule=rule, median=median)
    for name in ("flags", "count", "low", "high", "weight"):
        np.testing.assert_array_equal(one[name], other[name], name)
    # Sums of float64 in another order; 1e30 - 1e30 leaves the rounding of 1e30.
    slack = 1e-9 * float(np.abs(data).max())
    np.testing.assert_allclose(one["data"], other["data"], rtol=1e-6, atol=slack)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), RULE, st.integers(0, 3), st.booleans(), st.integers(1, 19))
def test_where_tiles_are_cut_does_not_matter(
    seed: int, rule: Rule, grow: int, soften: bool, cut: int
) -> None:
    """Whole against two parts with a margin: the same bytes."""
    rng = np.random.default_rng(seed)
    shape = (7, 20, STRIP + 37)
    data = rng.normal(100, 5, shape).astype(np.float32)
    data[2, 3:18, 10:13] += 200  # a trail across the cut
    data[:, 8:12, 20:24] += 3000 * rng.random((7, 1, 1), dtype=np.float32)
    flags = rng.choice([0, 0, 0, 0, 0, 1, 8, 64], shape).astype(np.uint8)
    match = np.stack([rng.uniform(0.8, 1.2, 7), *rng.normal(0, 0.1, (3, 7))], axis=1)
    how = {
        "rule": rule,
        "match": match,
        "weights": rng.uniform(0.2, 1, 7) if seed % 2 else None,
        "relative": rng.uniform(10, 30, 7),
        "grow": grow,
        "softening": Softening(0.3, 1.0) if soften else None,
    }
    whole = reduce_tile(data, flags, y0=0, **how)
    halo = margin(grow, how["softening"])
    parts = []
    for start, stop in ((0, cut), (cut, 20)):
        top, bottom = max(0, start - halo), min(20, stop + halo)
        part = reduce_tile(data[:, top:bottom], flags[:, top:bottom], y0=top, **how)
        parts.append({k: plane[start - top : stop - top] for k, plane in part.items()})
    for name, plane in whole.items():
        joined = np.concatenate([part[name] for part in parts])
        assert joined.tobytes() == plane.tobytes(), name


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), RULE, st.booleans(), st.sampled_from([2, 5, 17, 30]))
def test_a_pixels_neighbours_do_not_matter(seed: int, rule: Rule, median: bool, n: int) -> None:
    """Pixels in another order, so that others share their vectors: the same bytes."""
    rng = np.random.default_rng(seed)
    data = rng.normal(100, 5, (n, 3, STRIP + WIDE + 7)).astype(np.float32)
    if seed % 2:
        data = np.round(data)
    hit = rng.random(data.shape) < 0.05
    data[hit] += rng.normal(0, 50, hit.sum()).astype(np.float32)
    flags = rng.choice([0] * 60 + [1, 8, 64], data.shape).astype(np.uint8)
    weights = rng.uniform(0.2, 1, n) if seed % 3 else None
    how = {"rule": rule, "median": median, "weights": weights}
    planes = reduce_tile(data, flags, **how)
    order = rng.permutation(data.shape[2])
    other = reduce_tile(data[:, ::-1, order], flags[:, ::-1, order], **how)
    for name, plane in planes.items():
        assert plane[::-1, order].tobytes() == other[name].tobytes(), name


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), RULE, st.integers(0, 3))
def test_growing_accounts_for_every_sample_too(seed: int, rule: Rule, grow: int) -> None:
    rng = np.random.default_rng(seed)
    data = rng.normal(0, 1, (5, 12, 40)).astype(np.float32)
    data[rng.integers(0, 5), :, 8:14] += 50
    data[rng.integers(0, 5), 3:6] += 50
    flags = rng.choice([0, 0, 0, 8, 16], data.shape).astype(np.uint8)
    planes = reduce_tile(data, flags, rule=rule, grow=grow)
    total = sum(planes[name].astype(int) for name in ("count", "low", "high"))
    np.testing.assert_array_equal(total, ((flags & UNUSABLE) == 0).sum(axis=0))
    # Growing never takes the last sample.
    np.testing.assert_array_equal(planes["count"] == 0, total == 0)


def test_min_max_is_the_trimmed_mean() -> None:
    """scipy.stats.trim_mean on digitised data, where many samples are equal to the limits."""
    from scipy.stats import trim_mean

    data = np.random.default_rng(0).integers(0, 5, (10, 20, 30)).astype(np.float32)
    rule = Rule(options.MIN_MAX, (2.0, 2.0, 0.0))
    planes = reduce_tile(data, np.zeros(data.shape, np.uint8), rule=rule)
    np.testing.assert_allclose(planes["data"], trim_mean(data.astype(float), 0.2), rtol=1e-6)
    assert np.all(planes["low"] == 2)
    assert np.all(planes["high"] == 2)


def test_min_max_of_few_samples_keeps_some() -> None:
    data = np.arange(6, dtype=np.float32).reshape(6, 1, 1)
    flags = np.zeros(data.shape, np.uint8)
    flags[2:] = Flag.NO_DATA
    planes = reduce_tile(data, flags, rule=Rule(options.MIN_MAX, (1.0, 2.0, 0.0)))
    assert planes["count"][0, 0] == 2
    assert planes["data"][0, 0] == 0.5


def test_a_frame_of_no_weight_takes_no_part() -> None:
    data = np.random.default_rng(1).normal(0, 1, (5, 6, 7)).astype(np.float32)
    data[3] = 1000
    flags = np.zeros(data.shape, np.uint8)
    planes = reduce_tile(data, flags, weights=np.array([1.0, 1, 1, 0, 1]))
    np.testing.assert_allclose(planes["data"], data[[0, 1, 2, 4]].mean(axis=0), atol=1e-6)
    assert np.all(planes["count"] == 4)


@pytest.mark.parametrize("n", [1, TOGETHER, 2 * TOGETHER + 3])
@pytest.mark.parametrize("weighted", [False, True])
@pytest.mark.parametrize("matched", [False, True])
def test_a_mean_is_the_same_by_either_way_of_reading(n: int, weighted: bool, matched: bool) -> None:
    """One reads along the row what has no flag; a flag that few carry has the other do it."""
    rng = np.random.default_rng(n)
    data = rng.normal(100, 5, (n, 3, 2 * STRIP + 7)).astype(np.float32)
    data[0, 1, 5] = np.nan  # known only from the sums
    data[-1, 2, -1] = np.inf
    match = np.tile([1.0, 0.0, 0.0, 0.0], (n, 1))
    if matched:  # but for the first
        match[1:] = np.stack([rng.uniform(0.8, 1.2, n - 1), *rng.normal(0, 1, (3, n - 1))], axis=1)
    how = {"match": match, "weights": rng.uniform(0.2, 1, n) if weighted else None}
    clean = np.zeros(data.shape, np.uint8)
    flagged = clean.copy()
    flagged[0] = Flag.REPAIRED
    one, other = reduce_tile(data, clean, **how), reduce_tile(data, flagged, **how)
    if n == 1:  # a single sample gives its flags to the mean
        other["flags"] &= ~np.uint8(Flag.REPAIRED)
    for name, plane in one.items():
        assert plane.tobytes() == other[name].tobytes(), name
    assert one["count"][1, 5] == one["count"][2, -1] == n - 1


def test_what_cannot_be_stacked_is_refused() -> None:
    data = np.zeros((2, 3, 4), np.float32)
    flags = np.zeros(data.shape, np.uint8)
    with pytest.raises(ValueError, match="weight"):
        reduce_tile(data, flags, weights=np.zeros(2))
    with pytest.raises(ValueError, match="shape"):
        reduce_tile(data, flags[:, :2])


def test_most_kept_samples_decide_about_flags() -> None:
    data = np.full((5, 1, 3), 60000, np.float32)
    flags = np.zeros(data.shape, np.uint8)
    flags[:3, 0, 0] = Flag.SATURATED
    flags[:2, 0, 1] = Flag.SATURATED
    flags[:, 0, 2] = Flag.SATURATED | Flag.REPAIRED
    flags[4, 0, 2] = Flag.SATURATED | Flag.NO_DATA
    planes = reduce_tile(data, flags, rule=ALL_RULES[3])
    assert planes["flags"].tolist() == [[1, 0, 65]]
    assert planes["data"].tolist() == [[60000.0] * 3]


def test_the_weight_plane_is_the_share_of_the_weight() -> None:
    data = np.zeros((3, 1, 2), np.float32)
    flags = np.zeros(data.shape, np.uint8)
    flags[0, 0, 1] = Flag.NO_DATA
    planes = reduce_tile(data, flags, weights=np.array([2.0, 1.0, 1.0]))
    assert planes["weight"].tolist() == [[1.0, 0.5]]
