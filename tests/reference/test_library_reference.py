"""The library's tests and fits against handbook examples, scipy and published formulas."""

import numpy as np
import pytest
from scipy import optimize, stats

from coldframe.frame import Frame, FrameInfo
from coldframe.interpolation import share
from coldframe.library.compare import shape_test, welch
from coldframe.library.dark_current import READING, fit_doubling


def with_moments(rng, n, mean, sd):
    x = rng.normal(size=n)
    return mean + sd * (x - x.mean()) / x.std(ddof=1)


def test_welch_gives_the_handbooks_example():
    """NIST/SEMATECH e-Handbook 1.3.5.3, the two samples of car mileage: means 20.14458 and
    30.48101, standard deviations 6.41470 and 6.10771, 249 and 79 cars; T = -12.94627 and 136.8750
    degrees of freedom, unequal variances assumed (figures from memory)."""
    rng = np.random.default_rng(0)
    usa = with_moments(rng, 249, 20.14458, 6.41470)
    japan = with_moments(rng, 79, 30.48101, 6.10771)
    t, freedom, p = welch(japan, usa)
    assert t == pytest.approx(-12.94627, abs=2e-4)
    assert freedom == pytest.approx(136.8750, abs=2e-3)
    assert p < 1e-20


def test_welch_is_scipys():
    rng = np.random.default_rng(1)
    for n, m, spread in ((4, 12, 5.0), (20, 20, 4.0), (2, 30, 9.0)):
        a, b = rng.normal(100, spread, n), rng.normal(101, 3.0, m)
        theirs = stats.ttest_ind(b, a, equal_var=False)
        t, freedom, p = welch(a, b)
        assert t == pytest.approx(theirs.statistic, rel=1e-9)
        assert freedom == pytest.approx(theirs.df, rel=1e-9)
        assert p == pytest.approx(theirs.pvalue, rel=1e-6)


def test_p_of_shapes_is_uniform_when_flats_agree():
    """By the Kolmogorov-Smirnov test (scipy): a p-value is uniform under its hypothesis."""
    rng = np.random.default_rng(2)
    chances = []
    for _ in range(300):
        frames = []
        for level in (9000.0, 15000.0):
            variance = np.full((64, 96), 400.0, np.float32)
            data = rng.normal(level, 20.0, (64, 96)).astype(np.float32)
            flags = np.zeros((64, 96), np.uint8)
            frames.append(Frame(data, flags, FrameInfo(), {"variance": variance}))
        found = shape_test(*frames)
        assert found.freedom == 4 * 6 - 1
        assert found.p == pytest.approx(stats.chi2.sf(found.chi2, found.freedom))
        chances.append(found.p)
    assert stats.kstest(chances, "uniform").pvalue > 0.01


def test_the_doubling_is_curve_fits():
    """Same weights, fitted by scipy's nonlinear least squares in ln I."""
    rng = np.random.default_rng(3)
    t = np.array([-15.0, -10.0, -5.0, 0.0, 6.0, 12.0])
    rate = 0.8 * 2 ** (t / 5.8) * np.exp(rng.normal(0, 0.01, t.size))
    error = 0.01 * rate
    found = fit_doubling(["a"] * t.size, t, rate, error)
    sigma = np.sqrt(0.01**2 + (np.log(2) / found.degrees * READING) ** 2)
    (height, doubling), covariance = optimize.curve_fit(
        lambda x, a, d: a + x * np.log(2) / d, t, np.log(rate), p0=(0.0, 6.0),
        sigma=np.full(t.size, sigma), absolute_sigma=True,
    )  # fmt: skip
    assert found.degrees == pytest.approx(doubling, rel=1e-5)
    assert found.error == pytest.approx(np.sqrt(covariance[1, 1]), rel=1e-3)
    assert np.isfinite(height)


def test_the_doublings_error_covers_the_truth_as_often_as_it_says():
    """1 sigma of a normal covers 68.3%; temperatures are rounded to whole degrees, as told."""
    rng = np.random.default_rng(4)
    inside = 0
    for _ in range(400):
        true = rng.uniform(-15, 15, 7)
        rate = 2 ** (true / 6.0) * np.exp(rng.normal(0, 0.02, 7))
        found = fit_doubling(["a"] * 7, np.rint(true), rate, 0.02 * rate)
        inside += abs(found.degrees - 6.0) < found.error
    # At least as often: the error is never made smaller when the points happen to lie close.
    assert 0.62 < inside / 400 < 0.85


@pytest.mark.parametrize("energy", [0.55, 0.6, 0.65])
def test_blends_follow_the_physics_over_the_usual_range(energy):
    """Dark current after Janesick (2001), Scientific Charge-Coupled Devices, equation 7.24 (from
    memory): I ~ T^1.5 exp(-Eg / 2kT); Eg/2 is 0.55 eV in silicon, and sensors show up to 0.65.
    With the doubling temperature of the 10 °C around, a blend between darks 10 °C apart is
    right within 2% of the warmer one's dark signal."""
    boltzmann = 8.617333e-5  # eV/K, CODATA 2018

    def signal(celsius):
        kelvin = celsius + 273.15
        return kelvin**1.5 * np.exp(-energy / (boltzmann * kelvin))

    low, high = 5.0, 15.0
    doubling = (high - low) * np.log(2) / np.log(signal(high) / signal(low))
    for at in np.linspace(low, high, 11):
        w = share(low, high, at, doubling)
        made = (1 - w) * signal(low) + w * signal(high)
        assert abs(made - signal(at)) < 0.02 * signal(high)
