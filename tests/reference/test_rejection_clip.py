"""Clipping rules against astropy.stats and a plain restatement of the published algorithm."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.stats import sigma_clip
from numba import njit

from coldframe_steps.kernels import options
from coldframe_steps.kernels.lanes import MOST_TURNS, run_deviation, run_median, run_robust
from coldframe_steps.kernels.network import empty_block, merging_steps, rows_for
from coldframe_steps.kernels.options import Rule
from coldframe_steps.kernels.simd import WIDE, i32, store
from coldframe_steps.kernels.stack import reduce_tile


def stack_of(name: str, n: int) -> np.ndarray:
    """Random float32 stacks (n, 24, 40) with outliers, ties, or next to no scatter."""
    rng = np.random.default_rng([n, len(name)])
    data = rng.normal(1000, 20, (n, 12, 80))
    if name == "outliers":
        hit = rng.random(data.shape) < 0.05
        data[hit] += rng.exponential(500, hit.sum()) * rng.choice([-1, 3], hit.sum())
    elif name == "ties":
        data = np.round(rng.normal(300, 2.3, data.shape))
    elif name == "constant":
        data[:] = 512.0
        data[0, ::2] = 513.5
    elif name == "skewed":
        data = rng.gamma(1.5, 40, data.shape)
    return data.astype(np.float32)


@pytest.mark.parametrize("iterations", [0, 1, 2, 5])
@pytest.mark.parametrize("n", [1, 2, 3, 4, 7, 12, 33, 100])
@pytest.mark.parametrize("name", ["normal", "outliers", "ties", "constant", "skewed"])
def test_sigma_clip_accepts_what_astropy_accepts(name: str, n: int, iterations: int) -> None:
    """astropy.stats.sigma_clip (median, standard deviation) on the same samples: same sets.

    Counts low and high and the mean of the accepted samples tell the sets apart.
    """
    data = stack_of(name, n)
    for low, high in ((3.0, 3.0), (2.0, 3.5), (2.2, 1.6)):
        ours = reduce_tile(
            data,
            np.zeros(data.shape, np.uint8),
            rule=Rule(options.SIGMA_CLIP, (low, high, float(iterations))),
        )
        theirs, lower, upper = sigma_clip(
            data.astype(np.float64),
            sigma_lower=low,
            sigma_upper=high,
            maxiters=iterations or None,
            cenfunc="median",
            stdfunc="std",
            axis=0,
            return_bounds=True,
        )
        np.testing.assert_array_equal(ours["count"], (~theirs.mask).sum(axis=0))
        np.testing.assert_array_equal(ours["low"], (data < lower).sum(axis=0))
        np.testing.assert_array_equal(ours["high"], (data > upper).sum(axis=0))
        np.testing.assert_allclose(ours["data"], theirs.mean(axis=0), rtol=1e-7)


@pytest.mark.parametrize("n", [3, 8, 21, 60])
@pytest.mark.parametrize("name", ["normal", "outliers", "skewed"])
def test_mad_clip_accepts_what_astropy_accepts(name: str, n: int) -> None:
    """astropy.stats.sigma_clip with stdfunc="mad_std"."""
    data = stack_of(name, n)
    for iterations in (0, 2):
        ours = reduce_tile(
            data,
            np.zeros(data.shape, np.uint8),
            rule=Rule(options.MAD_CLIP, (2.5, 3.0, float(iterations))),
        )
        theirs = sigma_clip(
            data.astype(np.float64),
            sigma_lower=2.5,
            sigma_upper=3.0,
            maxiters=iterations or None,
            stdfunc="mad_std",
            axis=0,
        )
        np.testing.assert_array_equal(ours["count"], (~theirs.mask).sum(axis=0))
        np.testing.assert_allclose(ours["data"], theirs.mean(axis=0), rtol=1e-7)


@njit
def _spreads(block, n, pairs, away, out):  # type: ignore[no-untyped-def]
    """Median, scaled deviation, winsorised mean and sigma of whole columns, into rows of out."""
    a, b = i32(0), i32(n)
    centre = run_median(block, a, b)
    store(out, 0, centre)
    store(out, WIDE, run_deviation(block, n, a, b, centre, pairs, away))
    mean, sigma, _ = run_robust(block, n, a, b, pairs, away, MOST_TURNS)
    store(out, 2 * WIDE, mean)
    store(out, 3 * WIDE, sigma)


def spreads(columns: np.ndarray) -> np.ndarray:
    """The above of (n, WIDE) samples in any order."""
    n = len(columns)
    block, away, out = empty_block(rows_for(n)), empty_block(rows_for(n)), np.empty((4, WIDE))
    block[n:] = away[n:] = np.inf
    block[:n] = np.sort(columns, axis=0)
    _spreads(block, n, merging_steps(n), away, out)
    return out


def test_mad_of_mostly_equal_values_is_not_nothing() -> None:
    """Iglewicz and Hoaglin 1993 (from memory): the mean deviation where the median one is 0."""
    columns = np.tile(np.float32([[7], [8], [8], [8], [8], [9]]), WIDE)
    median, sigma = spreads(columns)[:2]
    assert np.all(median == 8.0)
    np.testing.assert_allclose(sigma, np.sqrt(np.pi / 2) * 2 / 6, rtol=1e-12)
    stack = columns.reshape(6, 4, 4)
    rule = Rule(options.MAD_CLIP, (3.0, 3.0, 0.0))
    assert np.all(reduce_tile(stack, np.zeros(stack.shape, np.uint8), rule=rule)["count"] == 6)


@pytest.mark.parametrize("n", [3, 6, 15, 200])
def test_winsorised_moments_against_the_plain_algorithm(n: int) -> None:
    """ISO 13528:2015 annex C.3, algorithm A."""
    rng = np.random.default_rng(n)
    columns = (rng.standard_t(2, (n, WIDE)) * 3 + 40).astype(np.float32)
    ours = spreads(columns)[2:]
    for x, found in zip(columns.T.astype(np.float64), ours.T, strict=True):
        # Ours stops once both move by less than 1e-5 sigma in a turn.
        assert tuple(found) == pytest.approx(plain_moments(x), rel=1e-5)


def plain_moments(x: np.ndarray) -> tuple[float, float]:
    """Mean and sigma of algorithm A, restated with numpy's clip, mean and std."""
    mean = np.median(x)
    sigma = 1.482602218505602 * np.median(np.abs(x - mean))
    for _ in range(300):
        drawn = np.clip(x, mean - 1.5 * sigma, mean + 1.5 * sigma)
        mean, sigma = drawn.mean(), 1.134 * drawn.std(ddof=1)
    return float(mean), float(sigma)


def test_the_plain_algorithm_keeps_all_of_three_and_so_do_we() -> None:
    """ISO 13528:2015 annex C.3, algorithm A: no one of three is 1.02 of its sigma from its mean."""
    rng = np.random.default_rng(3)
    triples = rng.choice([-1, 1], (3, 400)) * 10.0 ** rng.uniform(-4, 4, (3, 400))
    for x in triples.T:
        mean, sigma = plain_moments(x)
        assert np.abs(x - mean).max() <= 1.02 * sigma
    data = triples.reshape(3, 10, 40).astype(np.float32)
    flags = np.zeros(data.shape, np.uint8)
    ours = reduce_tile(data, flags, rule=Rule(options.WINSORISED, (1.1, 1.1, 0.0)), grow=2)
    for name, plane in reduce_tile(data, flags).items():
        np.testing.assert_array_equal(ours[name], plane)


def test_winsorised_sigma_is_consistent_for_normal_data() -> None:
    """1.134 = 1 / sigma of the winsorised standard normal at 1.5 (Huber 1981)."""
    columns = np.random.default_rng(11).normal(10, 3, (2048, WIDE)).astype(np.float32)
    mean, sigma = spreads(columns)[2:].mean(axis=1)
    assert mean == pytest.approx(10, abs=0.07)
    assert sigma == pytest.approx(3, rel=0.015)


def test_winsorised_clip_finds_what_masks_itself_from_sigma_clip() -> None:
    """Two of ten samples far off inflate the standard deviation so that 3 of it hold them."""
    rng = np.random.default_rng(5)
    data = rng.normal(0, 1, (10, 40, 50)).astype(np.float32)
    data[3:5] += 30
    flags = np.zeros(data.shape, np.uint8)
    plain = reduce_tile(data, flags, rule=Rule(options.SIGMA_CLIP, (3.0, 3.0, 0.0)))
    robust = reduce_tile(data, flags, rule=Rule(options.WINSORISED, (3.0, 3.0, 0.0)))
    assert plain["high"].max() == 0
    assert np.mean(robust["high"] >= 2) > 0.99
