"""A night of two targets without a name, one of them sparse, with a meridian flip and a mistaken slew."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from astropy.io import fits

from coldframe_steps.register.stars import find_stars
from sharing import typed

SHAPE = (300, 400)
CENTRE = np.array([(SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2])
LIGHTS = 6  # of each field


def stars(seed, count, faintest):
    """Places over four times the frame's area, and fluxes: `count` of them within the frame."""
    rng = np.random.default_rng(seed)
    places = CENTRE + rng.uniform(-2, 2, (4 * count, 2)) * CENTRE
    return places, 10 ** rng.uniform(faintest, 4.8, 4 * count)


FIELDS = {"A": stars(1, 80, 3.2), "B": stars(2, 18, 3.6), "slew": stars(3, 80, 3.2)}


def seen(places, k):
    """Where a field's k-th light shows the stars: dithered, and flipped from the fifth on."""
    t = np.radians(0.1 * k + (180.2 if k >= 4 else 0.0))
    turn = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    return (places - CENTRE) @ turn.T + CENTRE + 11.0 * np.array([np.sin(3 * k), np.cos(2 * k)])


@pytest.fixture(scope="module")
def night(tmp_path_factory, draw_stars):
    folder = tmp_path_factory.mktemp("fields") / "2026-03-14"
    folder.mkdir()
    order = [("A", k) for k in range(LIGHTS)] + [("slew", 0)] + [("B", k) for k in range(LIGHTS)]
    for place, (name, k) in enumerate(order):
        places, flux = FIELDS[name]
        rng = np.random.default_rng(place)
        image = draw_stars(SHAPE, seen(places, k), flux, 3.0) + 400.0
        data = np.clip(rng.poisson(image) + rng.normal(300, 5, SHAPE), 0, 65535)
        header = fits.Header()
        header["IMAGETYP"], header["EXPTIME"], header["INSTRUME"] = "Light Frame", 60.0, "Fieldcam"
        start = datetime(2026, 3, 14, 21, tzinfo=UTC) + timedelta(minutes=2 * place)
        header["DATE-OBS"] = start.strftime("%Y-%m-%dT%H:%M:%S")
        fits.writeto(folder / f"{place:02}-{name}.fits", data.astype(np.uint16), header)
    return folder


@pytest.fixture(scope="module")
def done(night):
    out = night.parent / "out"
    planned = typed("plan", night, "-o", out, "--no-library", "--json")
    ran = typed("run", night, "-o", out, "--no-library")
    assert ran.returncode == 0, ran.stderr
    return json.loads(planned.stdout), ran, out


def test_plan_and_run_part_the_fields_alike_and_say_how_to_name_them(done):
    planned, ran, out = done
    groups = {g["group"]: g["frames"] for g in planned["groups"]}
    assert {label.split(" · ")[1]: n for label, n in groups.items()} == {
        "field A": LIGHTS, "field B": LIGHTS,
    }  # fmt: skip
    (said,) = [w for w in planned["warnings"] if "star fields" in w]
    assert "field A (6 lights, 00-A.fits to 05-A.fits); field B (6 lights, 07-B.fits" in said
    assert "target: NAME" in said
    assert "star fields" in ran.stdout + ran.stderr
    assert "star fields" in (out / "report.html").read_text()


def test_the_slewed_light_is_set_aside_as_another_field(done):
    planned = done[0]
    assert [s["frame"] for s in planned["set_aside"]] == ["06-slew.fits"]
    assert "another star field" in planned["set_aside"][0]["reason"]


@pytest.mark.parametrize("name", ["A", "B"])
def test_each_field_is_a_stack_of_all_its_lights_with_the_stars_in_place(done, name):
    out = done[2]
    manifest = json.loads((out / "coldframe-run.json").read_text())
    lights = [f for f in manifest["frames"] if f"-{name}.fits" in f["file"]]
    assert len(lights) == LIGHTS
    assert all(f["used"] for f in lights)
    (path,) = out.glob(f"field-{name}-stack*.fits")
    with fits.open(path) as hdus:
        data = hdus[0].data.astype(np.float32)
    from coldframe.frame import Frame, FrameInfo

    found = find_stars(Frame(data, np.zeros(SHAPE, np.uint8), FrameInfo())).table
    places, flux = FIELDS[name]
    bright = places[flux > 10**3.9]
    # The reference's motion is one of the six: the truth is its stars' places.
    errors = []
    for k in range(LIGHTS):
        near = np.hypot(*(found[:, None, :2] - seen(bright, k)[None]).transpose(2, 0, 1))
        at = seen(bright, k)
        inside = ((at > 30) & (at < np.array(SHAPE[::-1]) - 30)).all(axis=1)
        errors.append(float(np.median(near.min(axis=0)[inside])))
    assert min(errors) < 0.2
