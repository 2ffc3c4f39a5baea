"""Calibration against outside sources: a standard's noise model and general-purpose libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage, optimize, stats

from coldframe.frame import Frame, FrameInfo, Kind
from coldframe.step import Context
from coldframe_steps.calibrate.dark_scale import fit_dark_scale
from coldframe_steps.calibrate.neighbours import same_colour
from coldframe_steps.calibrate.robust import clipped_mean
from coldframe_steps.calibrate.step import Calibrate
from coldframe_steps.kernels.pixels import EMPTY, local_median_at, readonly

SHAPE = (160, 200)


def calibrate(data, masters, kind=Kind.LIGHT):
    info = FrameInfo(kind=kind, exposure=10.0)
    flags = np.zeros(data.shape, np.uint8)
    return Calibrate().apply(Frame(data, flags, info), Context(params={}, masters=masters)).data


def test_noise_of_calibrated_frames_follows_the_linear_camera_model():
    """EMVA Standard 1288, linear camera model (from memory): the temporal variance in DN is
    sigma_y^2 = K^2 sigma_d^2 + sigma_q^2 + K (mu_y - mu_y,dark), with K the gain in DN/e- and
    sigma_q^2 = 1/12 DN^2 the quantisation noise. Dividing by a flat f divides it by f^2; masters
    of n frames add their own variance (Janesick, Photon Transfer, 2007, ch. on flat fielding).
    """
    rng = np.random.default_rng(21)
    gain, read_noise, n = 0.5, 5.0, 400  # DN/e-, e-
    y = np.linspace(0.5, 1.0, SHAPE[0])[:, np.newaxis]
    response = np.broadcast_to(y, SHAPE)

    def expose(electrons):
        counts = rng.poisson(np.broadcast_to(electrons, SHAPE)) + rng.normal(0, read_noise, SHAPE)
        return np.round(1000 + gain * counts).astype(np.float32)

    def master(electrons, kind, count):
        data = np.mean([expose(electrons) for _ in range(count)], axis=0, dtype=np.float64)
        info = FrameInfo(kind=kind, exposure=10.0)
        return Frame(data.astype(np.float32), np.zeros(SHAPE, np.uint8), info)

    bias, dark = master(0.0, Kind.BIAS, 40), master(50.0, Kind.DARK, 40)
    bright = (20000 * gain * response).astype(np.float32)  # a flat without noise of its own
    flat = Frame(bright, np.zeros(SHAPE, np.uint8), FrameInfo(kind=Kind.FLAT, black=(0.0,)))
    masters = {"bias": bias, "dark": dark, "flat": flat}
    stack = np.array([calibrate(expose(50 + 900 * response), masters) for _ in range(n)])
    f = response / clipped_mean(response[40:120, 50:150].ravel())
    model = (gain**2 * read_noise**2 + 1 / 12 + gain * gain * (900 * response + 50)) / f**2
    measured = stack.var(axis=0, ddof=1, dtype=np.float64)
    # The mean over a row of 200 pixels of a sample variance has this relative error.
    error = np.sqrt(2 / (n - 1) / SHAPE[1])
    ratio = measured.mean(axis=1) / model.mean(axis=1)
    assert np.abs(ratio - 1).max() < 5 * error
    assert abs(ratio.mean() - 1) < 5 * error / np.sqrt(SHAPE[0])
    # The masters' noise is common to all frames: it shows as scatter of the mean.
    fixed = gain**2 * (read_noise**2 + 50) / 40 + 1 / 12 / 40
    scatter = ((stack.mean(axis=0) * f - gain * 900 * response) ** 2).mean()
    shared = fixed + np.mean(model * f**2) / n
    assert scatter == pytest.approx(shared, rel=0.05)


def test_photon_transfer_gives_the_gain_back():
    """Photon transfer: the slope of variance over mean of flats is 1 / gain (EMVA 1288)."""
    rng = np.random.default_rng(22)
    gain = 2.3  # e-/ADU
    zeros = np.zeros(SHAPE, np.uint8)
    bias = Frame(np.full(SHAPE, 300, np.float32), zeros, FrameInfo(kind=Kind.BIAS))
    means, variances = [], []
    for level in (500, 2000, 6000, 15000, 30000):
        a, b = (
            calibrate(
                np.round(300 + rng.poisson(level, SHAPE) / gain).astype(np.float32),
                {"bias": bias},
                Kind.FLAT,
            )
            for _ in range(2)
        )
        means.append((a.mean(dtype=np.float64) + b.mean(dtype=np.float64)) / 2)
        variances.append((a - b).var(dtype=np.float64) / 2)
    slope, _ = np.polyfit(means, variances, 1, w=1 / np.array(means))
    assert 1 / slope == pytest.approx(gain, rel=0.02)


@pytest.mark.parametrize("cfa", [None, "RGGB"])
def test_local_median_is_that_of_scipy(cfa):
    """scipy.ndimage.generic_filter with the ring of eight same-colour pixels as footprint."""
    rng = np.random.default_rng(23)
    image = rng.normal(0, 1, (31, 33)).astype(np.float32)
    table = readonly(same_colour(cfa), np.int32)
    index = np.arange(image.size)
    mine, counts = local_median_at(
        readonly(image),
        EMPTY,
        False,
        readonly(image * 0, np.uint8),
        1,
        table,
        readonly(index, np.int64),
    )
    mine = mine.reshape(image.shape)
    assert counts.max() == 8
    for p in range(4):
        footprint = np.zeros((9, 9), bool)
        for dy, dx in same_colour(cfa)[p][:8]:
            footprint[4 + dy, 4 + dx] = True
        theirs = ndimage.generic_filter(image.astype(np.float64), np.median, footprint=footprint)
        inside = (slice(4 + p // 2, -4, 2), slice(4 + p % 2, -4, 2))
        np.testing.assert_allclose(mine[inside], theirs[inside], atol=1e-6)


def test_dark_scale_is_the_biweight_estimate_that_scipy_minimises():
    """scipy.optimize.minimize_scalar of Tukey's loss (Beaton & Tukey 1974), the same weights."""
    rng = np.random.default_rng(24)
    dark = rng.uniform(50, 500, 400)
    variance = rng.uniform(20, 60, 400)
    excess = 1.3 * dark + rng.normal(0, 1, 400) * np.sqrt(variance)
    excess[::9] += 400
    fit = fit_dark_scale(excess, dark, variance, 0.0, 0.0)

    def loss(k):
        spread = max(1.0, 1.4826 * np.median(np.abs(excess - fit.scale * dark) / np.sqrt(variance)))
        u = np.minimum(np.abs(excess - k * dark) / (4.685 * spread * np.sqrt(variance)), 1)
        return np.sum(1 - (1 - u * u) ** 3)

    best = optimize.minimize_scalar(loss, bracket=(1.29, 1.31)).x
    assert abs(fit.scale - best) < 0.15 * fit.sigma


def test_clipped_mean_is_that_of_scipy_on_clean_data():
    """scipy.stats.trim_mean, which needs no clipping of outliers that are not there."""
    values = np.random.default_rng(25).normal(50, 3, 20001)
    assert clipped_mean(values) == pytest.approx(stats.trim_mean(values, 0.01), abs=0.02)
