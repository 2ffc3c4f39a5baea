"""The nights that beginners most often bring home: each ends in a picture, or the plan refuses it.

docs/troubleshooting.md lists them. Camera, sky and faults are simulated (`mastersim`); which nights
are the likeliest is common practice, no source.
"""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import mastersim as sim
import pytest
from astropy.io import fits

from coldframe.product import read_frame
from sharing import typed

PAGE = Path(__file__).parents[2] / "docs" / "troubleshooting.md"
FEW = 3


def _all(w, lights=4, **more):
    w.lights(lights, **more)
    w.darks(FEW)
    w.flats(FEW)
    w.biases(FEW)


def _edit(w, pattern, change):
    """Rewrite the headers or pixels of the files that fit."""
    for path in sorted(w.folder.glob(pattern)):
        with fits.open(path) as hdus:
            header, data = hdus[0].header, hdus[0].data.copy()
        data = change(header, data)
        fits.PrimaryHDU(data, header).writeto(path, overwrite=True)


def _without(*keys):
    def change(header, data):
        for key in keys:
            header.remove(key, ignore_missing=True)
        return data

    return change


def everything(w):
    _all(w)


def no_bias(w):
    w.lights(4)
    w.darks(FEW)
    w.flats(FEW)


def no_flats(w):
    w.lights(4)
    w.darks(FEW)
    w.biases(FEW)


def no_darks(w):
    w.lights(4)
    w.flats(FEW)
    w.biases(FEW)


def lights_only(w):
    w.lights(5)


def one_light(w):
    _all(w, 1)


def two_lights(w):
    _all(w, 2)


def three_lights(w):
    _all(w, 3)


def darks_of_another_exposure(w):
    w.lights(4)
    w.darks(FEW, exposure=60.0)
    w.flats(FEW)
    w.biases(FEW)


def darks_ten_degrees_colder(w):
    w.lights(4)
    w.darks(FEW, temperature=sim.WARM - 10)
    w.flats(FEW)
    w.biases(FEW)


def darks_of_another_gain(w):
    w.lights(4)
    w.darks(FEW, gain=300)
    w.flats(FEW)
    w.biases(FEW)


def never_dithered(w):
    for _ in range(5):
        still = w.draw(sim.SHAPE, sim.STAR_XY, sim.STAR_LIGHT, 2.6) + sim.SKY + sim.nebula()
        w.write("light", 1, exposure=sim.EXPOSURE, light=still)


def a_truncated_light(w):
    _all(w, 5)
    victim = sorted(w.folder.glob("light-*.fits"))[2]
    victim.write_bytes(victim.read_bytes()[:40_000])


def empty_and_foreign_files(w):
    _all(w)
    (w.folder / "light-999.fits").touch()
    (w.folder / "sky.jpg").write_bytes(b"\xff\xd8\xff\xe0 not a frame")
    (w.folder / "thoughts.txt").write_text("clear from ten")


def kinds_not_in_the_header(w):
    _all(w)
    _edit(w, "*.fits", _without("IMAGETYP", "OBJECT"))


def no_temperature_in_the_header(w):
    _all(w)
    _edit(w, "*.fits", _without("CCD-TEMP"))


def an_uncooled_mono_camera(w):
    _all(w)
    _edit(w, "*.fits", _without("BAYERPAT", "CCD-TEMP"))


def hardly_any_header(w):
    _all(w)
    _edit(w, "*.fits", _without("IMAGETYP", "CCD-TEMP", "GAIN", "EGAIN", "INSTRUME", "DATE-OBS"))


def a_light_behind_cloud(w):
    _all(w, 5)

    def cloud(header, data):
        return w.rng.normal(900, 15, data.shape).clip(0).astype(data.dtype)

    _edit(w, sorted(w.folder.glob("light-*.fits"))[3].name, cloud)


def lights_of_two_sizes(w):
    _all(w, 4)
    _edit(w, sorted(w.folder.glob("light-*.fits"))[1].name, lambda _, data: data[:200, :300])


def no_lights(w):
    w.darks(FEW)
    w.flats(FEW)
    w.biases(FEW)


def an_empty_folder(w):
    pass


NIGHTS = {
    f.__name__: f
    for f in (
        everything, no_bias, no_flats, no_darks, lights_only, one_light, two_lights, three_lights,
        darks_of_another_exposure, darks_ten_degrees_colder, darks_of_another_gain, never_dithered,
        a_truncated_light, empty_and_foreign_files, kinds_not_in_the_header,
        no_temperature_in_the_header, an_uncooled_mono_camera, hardly_any_header,
        a_light_behind_cloud, lights_of_two_sizes, no_lights, an_empty_folder,
    )
}  # fmt: skip
REFUSED = {"no_lights": "light", "an_empty_folder": "is empty"}
"""Nights that cannot be stacked, and a word of why."""
USED = {
    "one_light": 1, "two_lights": 2, "three_lights": 3, "lights_only": 5, "never_dithered": 5, "lights_of_two_sizes": 3,
}  # fmt: skip
"""Lights that end in the stack where it is not four."""


def _title(name):
    return name.replace("_", " ")


@pytest.mark.parametrize("name", NIGHTS)
def test_a_night_ends_in_a_picture_or_is_refused_by_the_plan(name, tmp_path, draw_stars):
    folder, out = tmp_path / "night", tmp_path / "out"
    NIGHTS[name](sim.Writer(folder, draw_stars))
    before = {p: p.read_bytes() for p in folder.iterdir()}
    asked = (folder, "-o", out, "--no-library", "--compare-masters", "0")
    plan = typed("plan", *asked)
    assert "Traceback" not in plan.stderr
    if name in REFUSED:
        assert plan.returncode in (1, 2)
        assert REFUSED[name] in plan.stderr
        run = typed("run", *asked)
        assert run.returncode == plan.returncode
        return
    assert plan.returncode == 0, plan.stderr
    run = typed("run", *asked)
    assert run.returncode == 0, run.stderr
    manifest = json.loads((out / "coldframe-run.json").read_text())
    used = [f for f in manifest["frames"] if f["used"] and f.get("kind") == "light"]
    assert len(used) == USED.get(name, 4), [f for f in manifest["frames"] if not f["used"]]
    if name == "lights_of_two_sizes":
        (aside,) = (f for f in manifest["frames"] if not f["used"])
        assert "300×200" in aside["reason"] or "200×300" in aside["reason"]
    (stack,) = out.glob("*-stack.fits")
    picture = read_frame(stack)
    assert (picture.data[..., 40:-40, 40:-40] > 0).mean() > 0.99  # the sky is there, all over
    assert list(out.glob("*-final.png"))
    for frame in manifest["frames"]:  # nothing is passed over without a reason
        assert frame["used"] or frame["reason"], frame
    assert {p: p.read_bytes() for p in folder.iterdir()} == before
    shutil.rmtree(out)


def test_the_page_lists_these_nights():
    rows = re.findall(r"^\| ([^|`]+) \| ", PAGE.read_text(encoding="utf-8"), re.MULTILINE)
    assert {_title(name) for name in NIGHTS} <= {row.strip().lower() for row in rows}
