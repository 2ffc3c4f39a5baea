"""The photon-transfer numbers against the EMVA 1288 reference package and published formulas.

The package is PyPI's emva1288 1.0.2, by its own account the reference implementation of EMVA
Standard 1288, release 4.0. It calls numpy.asfarray, which numpy 2 took away (numpy 2.0 release
notes: use asarray with a float dtype); the fixture gives it back while the package runs.
"""

import math

import numpy as np
import pytest

from coldframe.camera.darkness import slope
from coldframe.camera.exposure import exposure_for, signal_to_noise
from coldframe.camera.sets import gather
from coldframe.camera.transfer import (
    Point,
    Value,
    fit_gain,
    linearity,
    read_noise,
    saturation,
    usable,
    variance_error,
)
from coldframe.camera.unevenness import root, spatial_variance
from coldframe.demo.scenario import MONO_CAMERA
from coldframe.demo.sensor import expose, make_sensor

SHAPE = (120, 160)
LIGHT = 40_000.0  # e-/s
TIMES = np.linspace(0.05, 1.7, 24)
DARK_TIMES = (30.0, 60.0, 90.0, 120.0)


@pytest.fixture(scope="module")
def pairs():
    """(bias pairs' set, {time: flat pair}, {time: dark pair}) of an invented sensor, even light."""
    rng = np.random.default_rng(11)
    sensor = make_sensor(MONO_CAMERA, SHAPE, rng)

    def pair(light, seconds, temperature=-30.0):
        level = None if light is None else np.full(SHAPE, light * seconds, np.float32)
        return [expose(sensor, level, seconds, temperature, 100, rng) for _ in range(2)]

    flats = {t: (pair(LIGHT, t), pair(None, t)) for t in TIMES}
    darks = {t: pair(None, t, 0.0) for t in DARK_TIMES}
    return flats, darks


@pytest.fixture(scope="module")
def reference(pairs):
    """The reference package's results on the very same frames."""
    pytest.importorskip("lxml", reason="the reference package needs lxml")
    routines = pytest.importorskip("emva1288.process.routines", reason="pip install emva1288")
    from emva1288.process.data import Data1288
    from emva1288.process.results import Results1288

    patch = pytest.MonkeyPatch()
    patch.setattr(np, "asfarray", lambda a: np.asarray(a, dtype=float), raising=False)

    def sums(frames):
        found = routines.get_int_imgs(frames)
        return {"sum": found["sum"].sum(), "pvar": found["pvar"].sum(), "dmean": found["dmean"]}

    flats, darks = pairs
    dark = {t * 1e9: {0.0: sums(d), 1.0: sums(d)} for t, d in darks.items()}
    light = {
        t * 1e9: {0.0: sums(d), float(t * LIGHT / 0.5): sums(f)} for t, (f, d) in flats.items()
    }
    middle = TIMES[len(TIMES) // 2]
    spatial = {
        middle * 1e9: {
            0.0: routines.get_int_imgs(flats[middle][1]),
            1.0: routines.get_int_imgs(flats[middle][0]),
        }
    }
    frame = {"height": SHAPE[0], "width": SHAPE[1], "spatial": spatial}
    yield (
        Results1288(Data1288({**frame, "temporal": light}).data),
        Results1288(Data1288({**frame, "temporal": dark}).data),
    )
    patch.undo()


@pytest.fixture(scope="module")
def points(pairs):
    out = []
    for t, (flat, dark) in pairs[0].items():
        off = gather(dark, None)
        lit = gather(flat, None, off.means())
        total, base = lit.variances()[0], off.variances()[0]
        error = math.hypot(variance_error(total, 19200), variance_error(base, 19200))
        out.append(Point(float(t), "mono", lit.signal[0], total - base, error, total))
    return out


def test_gain_is_the_reference_packages(points, reference):
    limits = {"mono": saturation(points)}
    gain = fit_gain(usable(points, limits))
    assert limits["mono"].reached
    assert gain.value == pytest.approx(1 / reference[0].K, rel=1e-4)
    # and both are the truth's
    assert gain.value == pytest.approx(MONO_CAMERA.gain(100), rel=0.01)


def test_saturation_is_the_reference_packages(points, reference):
    top = reference[0].index_u_ysat
    signal = reference[0].temporal["u_y"] - reference[0].temporal["u_ydark"]
    assert saturation(points).signal == pytest.approx(signal[top], rel=1e-4)


def test_read_noise_is_the_reference_packages(pairs, points, reference):
    first = gather(pairs[0][TIMES[0]][1], None).variances()[0]
    ours = (
        read_noise(Value(first, 0.1)).value
        * fit_gain(usable(points, {"mono": saturation(points)})).value
    )
    # The package carries the darks' variance back to zero exposure; the flats' darks are so short
    # and cold that their slope is chance, so the intercept is the truth within 2%, as is ours.
    assert reference[0].sigma_d == pytest.approx(3.0, rel=0.02)
    assert ours == pytest.approx(reference[0].sigma_d, rel=0.02)


def test_linearity_is_the_reference_packages(points, reference):
    found = linearity(
        np.array([p.exposure for p in points]),
        np.array([p.signal for p in points]),
        saturation(points).signal,
    )
    assert found.lowest == pytest.approx(reference[0].LE_min, abs=0.005)
    assert found.highest == pytest.approx(reference[0].LE_max, abs=0.005)


def test_dark_current_from_the_mean_is_the_reference_packages(pairs, reference):
    sets = [gather(pairs[1][t], None) for t in DARK_TIMES]
    # Equal weights, as the package has it.
    rate = slope(DARK_TIMES, [Value(s.means()[0], 1.0) for s in sets])
    assert rate.value == pytest.approx(reference[1].u_I_mean_DN, rel=1e-6)
    noise = slope(DARK_TIMES, [Value(s.variances()[0], 1.0) for s in sets])
    # The package divides the slope of the variance by its own gain; without light it has none.
    fit = np.polyfit(DARK_TIMES, reference[1].temporal["s2_ydark"], 1)
    assert noise.value == pytest.approx(fit[0], rel=1e-6)


def test_unevenness_and_its_parts_are_the_reference_packages(pairs, reference):
    flat, dark = pairs[0][TIMES[len(TIMES) // 2]]
    off, lit = gather(dark, None), gather(flat, None)
    darkness = spatial_variance(off.mean, off.variances()[0], 2)
    bright = spatial_variance(lit.mean, lit.variances()[0], 2)
    other = reference[0]
    # The package's temporal variance keeps the difference of the two means, which is chance.
    assert darkness.total == pytest.approx(other.s_2_y_dark, rel=1e-3)
    assert bright.total == pytest.approx(other.s_2_y, rel=1e-3)
    assert darkness.column == pytest.approx(other.s_2_y_col_dark, rel=1e-3)
    assert darkness.row == pytest.approx(other.s_2_y_row_dark, rel=1e-3)
    assert darkness.pixel == pytest.approx(other.s_2_y_pixel_dark, rel=1e-3)
    signal = lit.mean.mean() - off.mean.mean()
    prnu = 100 * root(bright.total - darkness.total) / signal
    assert prnu == pytest.approx(other.PRNU1288, rel=1e-3)


def test_handbook_example_of_the_ccd_equation():
    """Howell, Handbook of CCD Astronomy, section 4.4 (from memory): 24,013 ADU of star, 620 ADU of
    sky, dark current 1.8 e- in 300 s, read noise 5 e-, 5 e-/ADU, one pixel: S/N is about 342."""
    star, sky = 24013 * 5 / 300, (620 * 5 + 1.8) / 300
    assert signal_to_noise(star, sky, 5.0, 300.0) == pytest.approx(342, abs=0.5)


def test_read_noise_limit_is_the_known_factor_of_ten():
    """At 5% added noise the background holds 9.76 R^2 electrons: "ten times the square of read
    noise" is common practice, no source; the number is 1 / (1.05^2 - 1)."""
    assert exposure_for(1.0, 1.0, 0.05) == pytest.approx(9.756, abs=1e-3)
