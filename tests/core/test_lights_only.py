"""Nights without calibration frames, with the field moved between lights and with it left still.

Truth: the simulation's own sky, stars, hot pixels and trails. Sensor model: EMVA Standard 1288,
release 4.0, sections 2.1 to 2.5. The least noise is that of the mean of all lights.
"""

import json
import math

import numpy as np
import pytest
from astropy.io import fits
from scipy.ndimage import median_filter

from coldframe.cli.main import run_command_line
from coldframe.night import MANIFEST
from coldframe.product import read_frame

SHAPE, LIGHTS = (360, 480), 12
SKY, GAIN, READ, BLACK = 400.0, 2.0, 3.0, 600.0  # e-, e-/ADU, e-, ADU
SIGMA = math.hypot(math.sqrt(SKY), READ) / GAIN  # ADU, of one light
HOT = 170  # 0.1% of the pixels


def make_night(folder, still):
    """Writes the lights; gives the hot pixels' places (y, x) and electrons, and the moves."""
    rng = np.random.default_rng(8)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    stars = np.column_stack(
        [rng.uniform(-20, SHAPE[0] + 20, 220), rng.uniform(-20, SHAPE[1] + 20, 220)]
    )
    flux = 10 ** rng.uniform(3.2, 5.0, len(stars))
    hot = np.zeros(SHAPE)
    places = rng.choice(hot.size, HOT, replace=False)
    hot.ravel()[places] = 10 ** rng.uniform(2.0, 3.7, HOT)
    vignetting = 1 - 0.25 * ((y / SHAPE[0] - 0.5) ** 2 + (x / SHAPE[1] - 0.5) ** 2) / 0.5
    folder.mkdir()
    for number in range(LIGHTS):
        dy, dx = rng.normal(0, 0.1, 2) if still else rng.uniform(-12, 12, 2)
        light = np.full(SHAPE, SKY)
        for (a, b), f in zip(stars + np.array([dy, dx]), flux, strict=True):
            part = np.s_[
                max(int(a) - 9, 0) : max(int(a) + 10, 0), max(int(b) - 9, 0) : max(int(b) + 10, 0)
            ]
            r2 = (y[part] - a) ** 2 + (x[part] - b) ** 2
            light[part] += f / (2 * np.pi * 1.2**2) * np.exp(-r2 / 2 / 1.2**2)
        if number in (3, 7):  # a satellite's trail, 5 sigma at its brightest
            off = (y - 40 - 20 * number) + (0.3 + 0.05 * number) * (x - 200)
            light += 5 * SIGMA * GAIN * np.exp(-(off**2) / 2 / 1.3**2)
        electrons = rng.poisson(light * vignetting + hot) + rng.normal(0, READ, SHAPE)
        data = np.clip(np.rint(BLACK + electrons / GAIN), 0, 65535).astype(np.uint16)
        header = fits.Header()
        header["DATE-OBS"] = f"2025-03-01T20:{2 * number:02d}:00"
        header["INSTRUME"], header["EXPTIME"], header["OBJECT"] = "Nachtauge M3", 60.0, "Lantern"
        header["IMAGETYP"], header["BLKLEVEL"] = "Light Frame", BLACK
        fits.PrimaryHDU(data, header).writeto(folder / f"light-{number:02d}.fits")
    return np.unravel_index(places, SHAPE), hot.ravel()[places]


@pytest.fixture(scope="module", params=["moved", "still"])
def night(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp(request.param)
    hot = make_night(folder / "night", request.param == "still")
    code = run_command_line(["run", str(folder / "night"), "-o", str(folder / "out")])
    assert code == 0
    manifest = json.loads((folder / "out" / MANIFEST).read_text())
    stack = read_frame(next((folder / "out").glob("*-stack.fits")))
    return request.param == "still", folder / "out", manifest, stack, hot


def test_a_night_of_lights_alone_gets_rejection_and_a_background_fit(night):
    _, out, manifest, _, _ = night
    assert manifest["recipe"]["name"] == "lights-only"
    assert list(out.glob("*-final.fits"))
    assert list(out.glob("*-final.tiff"))


def test_hot_pixels_do_not_reach_the_stack(night):
    """Before: 170 hot pixels of 4 to 230 sigma of one light, 800 at most in the stack of a still field."""
    still, _, _, stack, ((y, x), electrons) = night
    sigma = SIGMA / math.sqrt(LIGHTS)
    sharp = stack.data - median_filter(stack.data, 5)
    if still:
        left = sharp[y, x] / sigma
        bright = electrons / GAIN > 4 * SIGMA
        assert np.percentile(left[bright], 95) < 4
        assert np.median(left[bright]) < 1
    # What stands out alone: of a star's peak a quarter is left 2 px away.
    above = stack.data - median_filter(stack.data, 21)
    beside = np.mean([np.roll(above, s, a) for s in (-2, 2) for a in (0, 1)], axis=0)
    alone = (above > 6 * sigma) & (beside < 0.08 * above)
    assert 1e6 * np.mean(alone[15:-15, 15:-15]) < 40


def test_stars_are_not_taken_for_hot_pixels(night):
    _, _, manifest, _, _ = night
    repaired = {f["measures"]["hot_from_lights"] for f in manifest["frames"]}
    assert len(repaired) == 1
    assert 0.8 * HOT < repaired.pop() < 1.1 * HOT


def test_trails_are_gone_and_the_sky_is_as_deep_as_can_be(night):
    _, _, _, stack, _ = night
    assert stack.measures["noise"] < 1.03 * SIGMA / math.sqrt(LIGHTS)
    sky = stack.data[15:-15, 15:-15]
    assert stack.measures["rejected_high"] > 0.1
    y = np.arange(15, SHAPE[0] - 15)
    for number in (3, 7):
        x = 200 - (y - 40 - 20 * number) / (0.3 + 0.05 * number)
        on = (x > 20) & (x < SHAPE[1] - 20)
        along = sky[y[on] - 15, np.rint(x[on]).astype(int) - 15]
        beside = sky[y[on] - 15, np.rint(x[on]).astype(int) - 15 + 12 * (-1) ** number // 1]
        assert np.median(along) - np.median(beside) < SIGMA / math.sqrt(LIGHTS)


def test_what_is_missing_and_what_it_costs_is_said_where_the_result_is_shown(night):
    still, out, manifest, _, _ = night
    page = (out / "report.html").read_text()
    lines = " ".join(manifest["warnings"])
    assert "hot pixels were told from the lights themselves and repaired" in lines
    assert "no flat: vignetting" in lines
    assert "% darker than in the centre" in lines
    assert ("Dithering is missing" in lines) == still
    assert ("never moved on the sensor" in page) == still
    assert "no flat: vignetting" in page
