"""The demo's sensor and sky against published relations and a general-purpose library.

Sources: EMVA Standard 1288, release 4.0 (photon transfer, equations 13 and 14; quantisation noise,
equation 10); J. R. Janesick, Photon Transfer (SPIE Press, 2007), chapter 5; A. F. J. Moffat, A&A 3,
455 (1969); R. Kingslake, Optical System Design (1983), cosine-fourth law; D. C. Brown (1971).
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from astropy.modeling.models import Moffat2D
from scipy import stats

from coldframe.demo.geometry import Projection
from coldframe.demo.optics import Optics
from coldframe.demo.render import add_stars
from coldframe.demo.scenario import COLOUR_CAMERA, MONO_CAMERA
from coldframe.demo.sensor import expose, make_sensor
from coldframe.demo.sky import Psf, Stars

SHAPE = (400, 600)
COLD = -100.0  # °C, where there is no dark current to speak of


def noise_of_pair(one, two):
    """Temporal variance from the difference of two frames (EMVA 1288, equation 14), ADU^2."""
    return float(np.var(one.astype(float) - two) / 2)


@pytest.fixture(scope="module")
def mono():
    return make_sensor(MONO_CAMERA, SHAPE, np.random.default_rng(1))


def flat(sensor, electrons, seed, temperature=COLD, setting=100):
    light = np.full(sensor.shape, electrons, dtype=np.float32)
    return expose(sensor, light, 1.0, temperature, setting, np.random.default_rng(seed))


def test_photon_transfer_gives_back_gain_and_read_noise(mono):
    """EMVA 1288 equation 13: var = K^2 sigma_d^2 + sigma_q^2 + K (mean - mean_dark)."""
    dark = noise_of_pair(flat(mono, 0, 1), flat(mono, 0, 2))
    black = flat(mono, 0, 1).mean(dtype=float)
    means, variances = [], []
    for i, level in enumerate(np.linspace(2000, 30000, 10)):
        one, two = flat(mono, level, 10 + 2 * i), flat(mono, level, 11 + 2 * i)
        means.append((one.mean(dtype=float) + two.mean(dtype=float)) / 2 - black)
        variances.append(noise_of_pair(one, two) - dark)
    # The scatter of a variance grows with itself: weights 1 / variance.
    slope = np.sum(variances) / np.sum(means)
    assert 1 / slope == pytest.approx(MONO_CAMERA.gain(100), rel=0.01)
    read_noise = math.sqrt(dark - 1 / 12) / slope  # EMVA 1288 equation 10: sigma_q^2 = 1/12
    assert read_noise == pytest.approx(MONO_CAMERA.read_noise(100), rel=0.02)


@pytest.mark.parametrize("iso", sorted(COLOUR_CAMERA.settings))
def test_photon_transfer_at_every_iso(iso):
    sensor = make_sensor(COLOUR_CAMERA, SHAPE, np.random.default_rng(2))
    gain, read_noise = COLOUR_CAMERA.settings[iso]
    level = 0.5 * gain * COLOUR_CAMERA.white
    pair = [flat(sensor, level, seed, setting=iso) for seed in (3, 4)]
    bias = [flat(sensor, 0, seed, setting=iso) for seed in (5, 6)]
    signal = np.mean([f.mean(dtype=float) for f in pair]) - np.mean(
        [f.mean(dtype=float) for f in bias]
    )
    noise = noise_of_pair(*bias)
    assert signal / (noise_of_pair(*pair) - noise) == pytest.approx(gain, rel=0.01)
    assert gain * math.sqrt(noise - 1 / 12) == pytest.approx(read_noise, rel=0.02)


def test_electrons_follow_poisson_statistics():
    """Counts of a noiseless sensor against the Poisson law (chi-squared test)."""
    camera = replace(
        MONO_CAMERA,
        settings={100: (1.0, 0.0)},
        pattern=(0, 0, 0),
        slope=0,
        prnu=0,
        black=(0, 0, 0, 0),
    )
    counts = flat(make_sensor(camera, SHAPE, np.random.default_rng(3)), 6.0, 7).ravel()
    seen = np.bincount(counts, minlength=20)[:20]
    expected = stats.poisson(6.0).pmf(np.arange(20)) * counts.size
    expected[-1] += counts.size - expected.sum()
    seen[-1] += counts.size - seen.sum()
    assert stats.chisquare(seen, expected).pvalue > 1e-4


def test_fixed_pattern_grows_with_the_signal_and_noise_with_its_root(mono):
    """Janesick 2007, chapter 5: sigma_FPN = P_N x signal; here P_N is the camera's prnu."""
    level = 40000 * 0.9
    frames = [flat(mono, level, 20 + i) for i in range(16)]
    mean = np.mean(frames, axis=0) * MONO_CAMERA.gain(100)
    spatial = np.var(mean) - level / 16
    assert math.sqrt(spatial) / level == pytest.approx(MONO_CAMERA.prnu, rel=0.02)


def test_dark_current_doubles_as_stated_and_is_poissonian(mono):
    def dark(temperature, seed):
        frame = expose(mono, None, 60.0, temperature, 100, np.random.default_rng(seed))
        return frame.astype(float) * MONO_CAMERA.gain(100)

    bias = flat(mono, 0, 1).astype(float) * MONO_CAMERA.gain(100)
    calm = mono.dark < np.quantile(mono.dark, 0.999)
    cool, warm, warmer = ((dark(t, 30 + i) - bias)[calm].mean() for i, t in enumerate((0, 6, 12)))
    assert warm / cool == pytest.approx(2, rel=0.01)
    assert warmer / warm == pytest.approx(2, rel=0.01)
    # Dark electrons are counted like photons: temporal variance is read noise^2 plus their mean.
    extra = (
        np.var((dark(12, 40) - dark(12, 41))[calm]) / 2 - np.var((bias - dark(COLD, 42))[calm]) / 2
    )
    assert extra == pytest.approx(warmer, rel=0.02)


def test_dark_current_spread_is_log_normal_with_hot_pixels():
    sensor = make_sensor(COLOUR_CAMERA, (600, 600), np.random.default_rng(4))
    middle = sensor.dark[:300, :300].ravel()  # far from the glowing corner
    logs = np.log(middle)
    assert np.median(logs) == pytest.approx(math.log(COLOUR_CAMERA.dark), abs=0.01)
    low, high = np.quantile(logs, [0.1587, 0.8413])
    assert (high - low) / 2 == pytest.approx(COLOUR_CAMERA.dark_spread, rel=0.02)
    hot = np.mean(middle > 0.9 * COLOUR_CAMERA.hot_rate[0])
    assert hot == pytest.approx(COLOUR_CAMERA.hot, rel=0.6)


@pytest.mark.parametrize("setting", [100, 1600])
def test_converter_clips_at_white_and_at_zero(setting):
    camera = replace(COLOUR_CAMERA, black=(2.0, 2.0, 2.0, 2.0))
    sensor = make_sensor(camera, (64, 64), np.random.default_rng(5))
    assert (flat(sensor, 1e6, 6, setting=setting) <= camera.white).all()
    assert flat(sensor, 1e6, 6, setting=1600).min() == camera.white
    assert flat(sensor, 0, 6, setting=1600).min() == 0
    full = flat(sensor, 1e6, 6, setting=100).max()
    assert full == pytest.approx(min(camera.white, camera.full_well / 3.8), rel=0.01)


@pytest.mark.parametrize(("y", "x"), [(30.0, 30.0), (30.37, 29.81)])
def test_star_images_are_moffat_functions(y, x):
    """Against astropy's Moffat2D, and the flux within the drawn circle."""
    psf = Psf(fwhm=3.0)
    stars = Stars(np.array([y]), np.array([x]), np.array([[1000.0]]))
    image = np.zeros((61, 61), dtype=np.float32)
    add_stars(image, np.zeros((2, 2), int), Projection(0, 0, 100, 0), stars, psf)
    gamma = 3.0 / (2 * math.sqrt(2 ** (1 / 3.5) - 1))
    amplitude = 1000 * 2.5 / (math.pi * gamma**2)
    yy, xx = np.mgrid[:61, :61]
    model = Moffat2D(amplitude, x, y, gamma, 3.5)
    assert model.fwhm == pytest.approx(3.0)
    near = np.hypot(yy - y, xx - x) < 8
    assert image[near] == pytest.approx(model(xx, yy)[near], rel=0.02)
    assert image.sum(dtype=float) == pytest.approx(1000, rel=1e-3)


def test_elongated_stars_have_the_axes_and_angle_asked_for():
    """Second moments of the ellipse above half of the peak (textbook definition)."""
    stars = Stars(np.array([80.0]), np.array([80.0]), np.array([[1e6]]))
    image = np.zeros((161, 161), dtype=np.float32)
    psf = Psf(fwhm=60.0, roundness=0.6, angle=30.0)
    add_stars(image, np.zeros((2, 2), int), Projection(0, 0, 100, 0), stars, psf)
    yy, xx = np.mgrid[:161, :161] - 80.0
    core = image > image.max() / 2
    xx2, yy2, xy = (np.mean(p[core]) for p in (xx * xx, yy * yy, xx * yy))
    assert math.degrees(0.5 * math.atan2(2 * xy, xx2 - yy2)) == pytest.approx(30, abs=1)
    values = np.linalg.eigvalsh([[xx2, xy], [xy, yy2]])
    assert math.sqrt(values[0] / values[1]) == pytest.approx(0.6, rel=0.02)
    assert np.count_nonzero(core) == pytest.approx(math.pi / 4 * 60.0**2, rel=0.02)


def test_natural_shading_is_cosine_fourth():
    """Kingslake: 10 degrees off the axis leaves cos^4(10 deg) = 0.9406 of the light."""
    optics = Optics("test", 100.0, 4.0, edge_angle=10.0, edge_loss=0.0)
    shade = optics.shading((301, 401), np.array([0.0]), np.array([0.0]))[0]
    # The corner pixel's centre lies half a pixel inside the corner.
    assert shade == pytest.approx(math.cos(math.radians(10)) ** 4, rel=5e-4)
    assert optics.shading((301, 401), np.array([150.0]), np.array([200.0]))[0] == 1


def test_distortion_is_the_first_term_of_browns_model():
    """Brown 1971: r' = r (1 + k1 r^2)."""
    lens = Projection(axis_y=500, axis_x=700, radius=860, k=0.01)
    y, x = lens.to_pixel(np.array([430.0]), np.array([0.0]))
    assert x[0] == pytest.approx(700)
    assert y[0] == pytest.approx(500 + 430 * (1 + 0.01 * 0.25))
