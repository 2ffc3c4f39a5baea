"""How noisy means and medians are, and whether the variance plane says so."""

from __future__ import annotations

from math import comb, pi, sqrt

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm

from coldframe_steps.kernels import options
from coldframe_steps.kernels.options import Rule
from coldframe_steps.kernels.stack import median_variance_factor, reduce_tile


def exact_median_variance(n: int) -> float:
    """Variance of the median of n standard normal values, by integrating the joint density.

    H. A. David and H. N. Nagaraja, Order Statistics, 3rd ed. (2003), section 2.2.
    """
    step = 0.02
    x = np.arange(-6, 6 + step / 2, step)
    density, below, above = norm.pdf(x), norm.cdf(x), norm.sf(x)
    m = (n - 1) // 2
    if n % 2 == 1:
        weight = n * comb(n - 1, m) * (below * above) ** m * density
        return float(np.sum(weight * x**2) * step)
    front = n * (n - 1) * comb(n - 2, m)
    joint = front * np.outer(below**m * density, above**m * density)
    joint *= np.triu(np.ones_like(joint)) - 0.5 * np.eye(x.size)  # the lower of the pair first
    middle = 0.5 * (x[:, None] + x[None, :])
    return float(np.sum(joint * middle**2) * step**2)


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 6, 7, 10, 15, 24, 51])
def test_median_variance_factor_against_exact_order_statistics(n: int) -> None:
    exact = exact_median_variance(n) * n
    assert median_variance_factor(n)[n] == pytest.approx(exact, rel=0.005)


def test_median_variance_factor_tends_to_half_pi() -> None:
    """Asymptotic relative efficiency 2 / pi of the median for normal data (Laplace; Kendall)."""
    factor = median_variance_factor(4001)
    assert factor[4001] == pytest.approx(pi / 2, rel=1e-3)
    assert factor[4000] == pytest.approx(pi / 2, rel=1e-3)


@pytest.mark.parametrize(("n", "pixels"), [(100, 6000), (101, 6000)])
def test_median_is_half_pi_noisier_than_the_mean(n: int, pixels: int) -> None:
    """Variance ratio pi / 2, with its known correction for finite n (0.986 pi / 2 at 100)."""
    data = np.random.default_rng(n).normal(0, 1, (n, 60, pixels // 60)).astype(np.float32)
    flags = np.zeros(data.shape, np.uint8)
    mean = reduce_tile(data, flags)["data"]
    median = reduce_tile(data, flags, median=True)
    np.testing.assert_array_equal(median["data"], np.median(data, axis=0).astype(np.float32))
    ratio = median["data"].var() / mean.var()
    # The ratio of two correlated variances from 6000 pixels scatters by about 1.5%.
    assert ratio == pytest.approx(exact_median_variance(n) * n, rel=0.06)
    assert ratio == pytest.approx(pi / 2, rel=0.08)


def sensor(rng: np.random.Generator, mean: float, n: int, pixels: int) -> NDArray[np.float32]:
    """n frames of Poisson electrons at gain 2 e-/ADU with read noise 3 ADU."""
    electrons = rng.poisson(2.0 * mean, (n, 1, pixels))
    return (electrons / 2.0 + rng.normal(0, 3.0, (n, 1, pixels))).astype(np.float32)


RULES = {
    "none": Rule(),
    "min-max": Rule(options.MIN_MAX, (1.0, 1.0, 0.0)),
    "sigma-clip": Rule(options.SIGMA_CLIP, (3.0, 3.0, 0.0)),
    "winsorised": Rule(options.WINSORISED, (3.0, 3.0, 0.0)),
    "mad-clip": Rule(options.MAD_CLIP, (3.5, 3.5, 0.0)),
    "esd": Rule(options.ESD, (0.3, 0.0, 0.0)),
}


@pytest.mark.parametrize(
    ("name", "median"),
    # The variance of the median of trimmed samples has no textbook form.
    [
        (name, median)
        for name in RULES
        for median in (False, True)
        if (name, median) != ("min-max", True)
    ],
)
def test_variance_plane_is_honest(name: str, median: bool) -> None:
    """Photon transfer: variance of a frame is signal / gain + read noise^2, in ADU^2.

    The plane's mean must be what the results of 40,000 pixels of equal truth scatter by.
    """
    n, mean = 15, 400.0
    data = sensor(np.random.default_rng(21), mean, n, 40_000)
    planes = reduce_tile(data, np.zeros(data.shape, np.uint8), rule=RULES[name], median=median)
    scatter = float(planes["data"].var())
    said = float(planes["variance"].mean())
    # The scatter itself is known to 0.7%. Clean samples that are rejected take their scatter along.
    lowest = {"none": 0.98, "sigma-clip": 0.95, "winsorised": 0.92, "min-max": 0.98}
    assert lowest.get(name, 0.86) < said / scatter < 1.02
    if name == "none" and not median:
        assert said == pytest.approx((mean / 2.0 + 9.0) / n, rel=0.01)


def test_variance_of_a_weighted_mean_is_honest() -> None:
    """Frames of three depths, weights 1 / variance: the variance of the mean is 1 / sum(weights)."""
    rng = np.random.default_rng(4)
    noise = np.repeat([4.0, 8.0, 20.0], 4)
    data = rng.normal(100, noise[:, None, None], (12, 100, 200)).astype(np.float32)
    flags = np.zeros(data.shape, np.uint8)
    best = 1 / np.sum(noise**-2)
    matched = reduce_tile(data, flags, weights=noise**-2.0, relative=noise**2)
    assert matched["variance"].mean() == pytest.approx(best, rel=0.01)
    assert matched["data"].var() == pytest.approx(best, rel=0.03)
    # Weights that are not the best: still the variance of what was done.
    equal = reduce_tile(data, flags, relative=noise**2)
    assert equal["data"].var() == pytest.approx(np.sum(noise**2) / 144, rel=0.03)
    assert equal["variance"].mean() == pytest.approx(equal["data"].var(), rel=0.03)
    # Only the ratios of the variances matter where there are two samples or more.
    again = reduce_tile(data, flags, weights=noise**-2.0, relative=17 * noise**2)
    np.testing.assert_allclose(again["variance"], matched["variance"], rtol=1e-5)


def test_a_single_sample_has_the_variance_it_came_with() -> None:
    data = np.full((3, 1, 4), 10, np.float32)
    flags = np.zeros(data.shape, np.uint8)
    flags[1:, 0, :2] = 8
    planes = reduce_tile(data, flags, relative=np.array([5.0, 6.0, 7.0]))
    assert planes["variance"][0].tolist() == [5.0, 5.0, 0.0, 0.0]


@pytest.mark.parametrize(
    ("name", "n", "least"),
    [
        ("winsorised", 8, 0.975),
        ("winsorised", 15, 0.975),
        ("winsorised", 40, 0.975),
        ("sigma-clip", 15, 0.985),
        ("sigma-clip", 40, 0.98),
        ("mad-clip", 40, 0.98),
        # The test is meant for 25 values or more (NIST, Rosner): with few it finds too many.
        ("esd", 8, 0.95),
        ("esd", 15, 0.965),
        ("esd", 40, 0.985),
    ],
)
def test_noise_cost_of_rejecting_from_clean_data(name: str, n: int, least: float) -> None:
    """Noise of the plain mean over noise after rejection, for normal data without outliers."""
    data = np.random.default_rng(n).normal(0, 1, (n, 100, 300)).astype(np.float32)
    flags = np.zeros(data.shape, np.uint8)
    plain = reduce_tile(data, flags)["data"].std()
    assert plain == pytest.approx(1 / sqrt(n), rel=0.015)
    cost = plain / reduce_tile(data, flags, rule=RULES[name])["data"].std()
    assert least < cost < 1.0
