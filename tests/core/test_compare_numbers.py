"""The figures of a comparison against truth, outside libraries and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats
from comparesim import field

from coldframe.comparing.bootstrap import (
    Interval,
    draws,
    interval,
    repeated,
    standard_errors,
)
from coldframe.comparing.figures import Figure
from coldframe.comparing.page import figure_line, interval_text
from coldframe.comparing.sky import box_noise, sky_mask, star_excess, surface_range
from coldframe.comparing.stars import HALF, measure, share_stars, windows
from coldframe.errors import UsageError
from coldframe.frame import Frame, FrameInfo
from coldframe.report.numbers import number


def frame(image) -> Frame:
    data = np.asarray(image, np.float32)
    return Frame(data, np.zeros(data.shape, np.uint8), FrameInfo())


def test_standard_error_is_that_of_scipy():
    """scipy.stats.bootstrap; its error lacks our sqrt(n / (n - 1))."""
    values = np.random.default_rng(1).gamma(2.0, size=15)
    ours = draws([range(15)], 4000, np.random.default_rng(2))
    error = standard_errors(np.array([[np.median(values[d]), values[d].mean()] for d in ours]), 15)
    for mine, statistic in zip(error, (np.median, np.mean), strict=True):
        theirs = scipy.stats.bootstrap(
            (values,), statistic, n_resamples=4000, rng=np.random.default_rng(3)
        ).standard_error
        assert mine / math.sqrt(15 / 14) == pytest.approx(theirs, rel=0.06)
    # The textbook's standard error of a mean, s / sqrt(n).
    assert error[1] == pytest.approx(values.std(ddof=1) / math.sqrt(15), rel=0.05)


def test_interval_of_a_mean_is_that_of_the_t_distribution():
    values = np.random.default_rng(4).normal(3.0, 1.0, 10)
    error = values.std(ddof=1) / math.sqrt(10)
    theirs = scipy.stats.ttest_1samp(values, 0.0).confidence_interval(0.95)
    found = interval(float(values.mean()), error, 10)
    assert (found.low, found.high) == pytest.approx((theirs.low, theirs.high))


def test_no_interval_without_an_error_and_values_that_are_missing():
    assert interval(1.0, math.nan, 10) is None
    assert interval(1.0, 0.1, 1) is None
    assert np.isnan(standard_errors(np.ones((5, 2)), 1)).all()
    values = np.array([[1.0, np.nan], [2.0, np.nan], [np.nan, 4.0]])
    error = standard_errors(values, 2)
    assert error[0] == pytest.approx(math.sqrt(0.5 * 2))
    assert np.isnan(error[1])


def test_each_stratum_keeps_its_number():
    for drawn in draws([[0, 1, 2], [], [7, 8]], 20, np.random.default_rng(0)):
        assert (drawn < 3).sum() == 3
        assert np.isin(drawn[3:], (7, 8)).all()
        assert len(drawn) == 5


def test_repeats_raise_noise_as_told():
    rng = np.random.default_rng(0)
    frames = rng.normal(0, 1, (6, 200_000))
    drawn = np.array([0, 0, 0, 1, 2, 2])
    noise = frames[drawn].mean(axis=0).std()
    assert noise / repeated(drawn, np.ones(6)) == pytest.approx(1 / math.sqrt(6), rel=0.01)


def noises(frames, drawn):
    return math.log(frames[drawn].mean(axis=0).std() / repeated(drawn, np.ones(len(frames))))


@pytest.mark.parametrize("case", ["same lights, noisier", "half of the lights", "other lights"])
def test_the_interval_holds_the_truth_about_as_often_as_it_says(case):
    """Intervals of 95%: over 300 nights between 90% and 99% hold the truth."""
    n, pixels, inside, nights = 12, 150, 0, 300
    for seed in range(nights):
        rng = np.random.default_rng(seed)
        a = rng.normal(0, 1, (n, pixels))
        if case == "same lights, noisier":
            b, strata = a + rng.normal(0, 0.75, a.shape), [range(n)]
            where = [np.arange(n)] * 2
            truth = math.log(1 / 1.25)
        elif case == "half of the lights":
            b, strata = a[: n // 2], [range(n // 2), range(n // 2, n)]
            where = [np.arange(n), np.where(np.arange(n) < n // 2, np.arange(n), -1)]
            truth = -math.log(2) / 2
        else:
            b, strata = rng.normal(0, 1.25, (n, pixels)), [range(n), range(n, 2 * n)]
            at = np.arange(2 * n)
            where = [np.where(at < n, at, -1), np.where(at >= n, at - n, -1)]
            truth = math.log(1 / 1.25)
        value = math.log(a.mean(axis=0).std() / b.mean(axis=0).std())
        found = []
        for drawn in draws(strata, 60, rng):
            one, two = (w[drawn][w[drawn] >= 0] for w in where)
            found.append([noises(a, one) - noises(b, two)])
        few = min(n, len(b))
        span = interval(value, float(standard_errors(np.array(found), few)[0]), few)
        inside += span.low <= truth <= span.high
    assert 0.90 <= inside / nights <= 0.99, inside / nights


def test_box_noise_of_white_noise_and_of_a_mean_of_neighbours():
    """White noise averages as 1/sqrt(pixels); what neighbours share does not pass for depth."""
    rng = np.random.default_rng(1)
    image = 500 + 0.2 * np.arange(400)[None, :] + rng.normal(0, 16, (400, 400))
    everywhere = np.ones(image.shape, bool)
    assert box_noise(image, everywhere) == pytest.approx(2.0, rel=0.06)
    smooth = (
        image + np.roll(image, 1, 0) + np.roll(image, 1, 1) + np.roll(image, (1, 1), (0, 1))
    ) / 4
    assert box_noise(smooth, everywhere) == pytest.approx(
        2.0, rel=0.12
    )  # a pixel has half the noise
    assert np.isnan(box_noise(image[:20, :20], everywhere[:20, :20]))


def test_stars_do_not_count_as_noise(draw_stars):
    rng = np.random.default_rng(2)
    picture = frame(field(draw_stars, rng, (400, 400), 250))
    excess, sigma = star_excess(picture)
    mask = sky_mask(picture, excess, 4 * sigma)
    assert 0.4 < mask.mean() < 0.95
    assert box_noise(picture.data, mask) == pytest.approx(20 / 8, rel=0.08)


def test_the_range_of_a_surface():
    y, x = np.meshgrid(np.linspace(-1, 1, 16), np.linspace(-1, 1, 24), indexing="ij")
    levels = 5 * x + 3 * y**2
    assert surface_range(levels) == pytest.approx(np.ptp(levels), rel=1e-6)
    nebula = levels + np.where(np.hypot(x - 0.3, y) < 0.15, 80.0, 0.0)
    assert surface_range(nebula) == pytest.approx(np.ptp(levels), rel=0.02)
    levels[3, 4] = np.nan
    assert np.isfinite(surface_range(levels, np.arange(levels.size)))
    assert np.isnan(surface_range(levels[:3, :3]))


@pytest.mark.parametrize("fwhm", [2.0, 3.5, 6.0])
def test_light_and_width_of_stars(draw_stars, fwhm):
    """A Gaussian over square pixels: its variance grows by 1/12 px^2 (variance of the uniform
    distribution)."""
    rng = np.random.default_rng(3)
    at = np.array([[40.3, 50.8], [90.0, 60.5], [120.7, 33.2]])
    image = draw_stars((140, 170), at[:, ::-1], np.full(3, 50_000.0), fwhm) + rng.normal(
        100, 3, (140, 170)
    )
    light, width = measure(windows(frame(image), at))
    truth = math.sqrt(fwhm**2 + 8 * math.log(2) / 12)
    assert width == pytest.approx(np.full(3, truth), rel=0.02)
    assert light == pytest.approx(np.full(3, 50_000), rel=0.02)
    empty = measure(rng.normal(0, 3, (1, 2 * HALF + 1, 2 * HALF + 1)))
    outside = measure(windows(frame(image), np.array([[3.0, 3.0]])))
    assert np.isnan(outside[1]).all()
    assert not np.isfinite(empty[1]).any()


def test_stars_are_matched_over_any_turn_and_shift(draw_stars):
    rng = np.random.default_rng(4)
    at = rng.uniform(60, 340, (70, 2))
    flux = np.geomspace(1e4, 2e5, 70)
    turn = math.radians(173.3)
    matrix = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    moved = (at - 200) @ matrix.T + 200 + [21.4, -13.7]
    one, two = (
        frame(draw_stars((400, 400), p[:, ::-1], flux, 3.0) + rng.normal(100, 5, (400, 400)))
        for p in (at, moved)
    )
    shared = share_stars(one, two)
    assert len(shared.first) > 15
    assert not shared.same_grid
    assert shared.first @ shared.matrix.T + shared.shift == pytest.approx(shared.second, abs=0.2)
    assert shared.matrix == pytest.approx(matrix, abs=1e-3)
    assert share_stars(one, one).same_grid
    other = draw_stars((400, 400), rng.uniform(40, 360, (40, 2)), flux[:40], 3.0)
    with pytest.raises(UsageError, match="no stars in common"):
        share_stars(one, frame(other + rng.normal(100, 5, (400, 400))))


@pytest.mark.parametrize(
    ("word", "gain", "low", "high", "verdict"),
    [
        ("deeper", 0.06, 0.04, 0.08, "B is 6.2% deeper (95% interval 4.1 to 8.3%)"),
        ("deeper", -0.06, -0.08, -0.04, "A is 6.2% deeper (95% interval 4.1 to 8.3%)"),
        ("sharper", -0.06, -0.08, -0.04, "A is 5.8% sharper (95% interval 3.9 to 7.7%)"),
        ("flatter", -0.01, -0.24, 0.18,
         "no difference seen: A measures 1% flatter (95% interval -16% to +21%)"),
        ("flatter", 0.0, 0.0, 0.0, "no difference: both measure the same"),
        ("deeper", 0.03, -0.02, 0.08,
         "no difference seen: B measures 3% deeper (95% interval -2% to +8.3%)"),
        ("deeper", 0.002, 0.001, 0.003,
         "no difference that matters: B measures 0.2% deeper (95% interval +0.1% to +0.3%)"),
    ],
)  # fmt: skip
def test_verdicts_in_words(word, gain, low, high, verdict):
    figure = Figure(word, "it", "px", 1.0, 1.0, gain, Interval(gain, low, high))
    assert figure.verdict == verdict
    assert (figure.better or "no")[0] == verdict[0]
    # Table, JSON and sentence tell one number with one sign.
    told = figure.to_dict()
    sign = {"A": -1, "B": 1, "": 0}[figure.ahead]
    assert told["b_better_percent"] == pytest.approx(sign * figure.lead)
    if gain:
        assert f" {number(figure.lead, 2)}% {word}" in verdict
        cells = [cell.text for cell in figure_line(figure).cells]
        assert cells[4:6] == [figure.ahead, number(figure.lead, 2)]
        assert interval_text(figure).split(" to ")[0] in verdict


def test_verdicts_without_an_interval():
    figure = Figure("deeper", "noise", "ADU", 2.0, 1.0, math.log(2), None)
    assert "B measures 100% deeper; no interval" in figure.verdict
    assert not figure.better
    lost = Figure("flatter", "gradient", "1", math.nan, 1.0, math.nan, None)
    assert lost.verdict.startswith("not known")
    assert lost.to_dict()["a"] is None
