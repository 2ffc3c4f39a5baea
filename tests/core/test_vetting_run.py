"""Vetting as a user meets it: `inspect`, and the start of `plan` and `run`."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from coldframe.cli.main import run_command_line
from coldframe.digests import cache_file
from coldframe.hooks import hookimpl
from coldframe.plugins import find_plugins
from coldframe.vetting import gather


@pytest.fixture(scope="module")
def clean(demo_night):
    night = demo_night("mono")
    return night.folder, night.truth


@pytest.fixture
def night(clean, tmp_path):
    """A copy of the night in which four frames are spoilt, and their names by what was done."""
    source, truth = clean
    folder = tmp_path / "mono"
    shutil.copytree(source, folder)
    names = {kind: [s.name for s in truth.shots if s.kind == kind] for kind in ("dark", "flat")}
    spoilt = {
        "leak": names["dark"][1], "cut": names["dark"][2], "clipped": names["flat"][0],
        "copy": "z_copy.fits",
    }  # fmt: skip
    with fits.open(folder / spoilt["leak"], mode="update") as hdus:
        slope = np.linspace(0, 60, hdus[0].data.shape[1])
        hdus[0].data = (hdus[0].data + slope).astype(np.uint16)
    cut = folder / spoilt["cut"]
    cut.write_bytes(cut.read_bytes()[:-40000])
    with fits.open(folder / spoilt["clipped"], mode="update") as hdus:
        hdus[0].data = np.full_like(hdus[0].data, 65535)
    with fits.open(folder / names["flat"][1]) as hdus:
        hdus[0].header["OBSERVER"] = "N. N."  # other bytes, same pixels
        hdus.writeto(folder / spoilt["copy"])
    return folder, spoilt, len(truth.shots) + 1


def call(capsys, *args):
    code = run_command_line([str(a) for a in args])
    said = capsys.readouterr()
    assert "Traceback" not in said.err
    return code, said.out, said.err


def told(text):
    return {f["frame"]: f for f in json.loads(text)["frames"]}


def test_inspect_tells_every_spoilt_frame_and_its_number(night, tmp_path, capsys):
    folder, spoilt, count = night
    code, out, _ = call(capsys, "inspect", folder, "--store", tmp_path / "s", "--json")
    assert code == 0
    frames = told(out)
    assert len(frames) == count
    leak = frames[spoilt["leak"]]
    assert leak["verdict"] == "set aside"
    assert "gradient of" in leak["reason"]
    assert all(f["value"] > f["limit"] for f in leak["findings"])
    assert "truncated" in frames[spoilt["cut"]]["reason"]
    assert "overexposed flat" in frames[spoilt["clipped"]]["reason"]
    assert "very pixels of" in frames[spoilt["copy"]]["reason"]
    assert frames[spoilt["leak"]]["measures"]["level"] > 20
    good = [f for name, f in frames.items() if name not in spoilt.values()]
    assert [f["frame"] for f in good if f["verdict"] == "set aside" and f["kind"] != "light"] == []

    code, out, _ = call(capsys, "inspect", folder, "--store", tmp_path / "s")
    assert spoilt["leak"] in out
    assert "set aside" in out.splitlines()[-2]
    assert not (tmp_path / "mono-stack").exists()


def test_frames_are_measured_once(night, tmp_path, capsys, monkeypatch):
    folder, spoilt, _ = night
    first = call(capsys, "inspect", folder, "--store", tmp_path / "s", "--json")[1]
    monkeypatch.setattr(gather, "sight", lambda *_: pytest.fail("measured again"))
    assert call(capsys, "inspect", folder, "--store", tmp_path / "s", "--json")[1] == first
    code, out, _ = call(
        capsys, "plan", folder, "-o", tmp_path / "out", "--store", tmp_path / "s", "--json"
    )
    assert code == 0
    aside = {a["frame"].split("/")[-1] for a in json.loads(out)["set_aside"]}
    assert set(spoilt.values()) <= aside


def test_looking_at_a_night_leaves_nothing_beside_it(night, tmp_path, capsys, monkeypatch):
    """Not here, not in the night; and the plan after it finds what was measured."""
    folder, _, _ = night
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    before = sorted(folder.rglob("*"))
    for command in ("inspect", "plan", "match", "plan"):
        assert call(capsys, command, folder)[0] == 0
    assert list(here.iterdir()) == []
    assert sorted(folder.rglob("*")) == before
    cache = cache_file([folder])
    written = cache.stat().st_mtime_ns
    assert call(capsys, "plan", folder)[0] == 0
    assert cache.stat().st_mtime_ns == written


def test_a_run_leaves_them_out_and_tells_it_everywhere(night, tmp_path, capsys):
    folder, spoilt, count = night
    code, out, err = call(capsys, "run", folder, "-o", tmp_path / "out", "--json")
    assert code == 0, err
    summary = json.loads(out)
    reasons = {Path(a["file"]).name: a for a in summary["set_aside"]}
    assert set(spoilt.values()) <= set(reasons)
    assert reasons[spoilt["leak"]]["step"] == "inspect"
    assert summary["used"] + len(summary["set_aside"]) == count
    manifest = json.loads((tmp_path / "out/coldframe-run.json").read_text())
    of = {Path(f["file"]).name: f for f in manifest["frames"]}
    assert of[spoilt["leak"]]["kind"] == "dark"  # its facts are kept
    assert f"set aside {spoilt['leak']}: light in a dark" in err
    page = (tmp_path / "out/report.html").read_text()
    assert all(name in page for name in spoilt.values())


def test_the_photographer_may_overrule_by_option_and_by_notes(night, tmp_path, capsys):
    folder, spoilt, _ = night
    store = ("--store", tmp_path / "s")
    _, out, _ = call(capsys, "inspect", folder, *store, "--use-anyway", spoilt["leak"], "--json")
    frame = told(out)[spoilt["leak"]]
    assert (frame["verdict"], frame["used_anyway_by"]) == (
        "use",
        f"--use-anyway '{spoilt['leak']}'",
    )
    notes = folder / "notes.yaml"
    notes.write_text(
        notes.read_text() + f"files:\n  - {{match: {spoilt['clipped']}, use_anyway: true}}\n"
    )
    _, out, _ = call(capsys, "plan", folder, "-o", tmp_path / "o", *store, "--json")
    plan = json.loads(out)
    aside = {a["frame"].split("/")[-1] for a in plan["set_aside"]}
    assert spoilt["clipped"] not in aside
    assert spoilt["leak"] in aside
    assert any(
        "is used by order of notes.yaml although an overexposed" in w for w in plan["warnings"]
    )
    # A frame that cannot be read cannot be kept.
    _, out, _ = call(capsys, "inspect", folder, *store, "--use-anyway", "*", "--json")
    assert [f["frame"] for f in told(out).values() if f["verdict"] == "set aside"] == [
        spoilt["cut"]
    ]


def test_limits_are_recipe_parameters_and_vetting_can_be_turned_off(night, tmp_path, capsys):
    folder, spoilt, _ = night
    store = ("--store", tmp_path / "s")
    _, out, _ = call(
        capsys, "inspect", folder, *store, "--json",
        "--with", "inspect.leak_gradient=100", "--with", "inspect.leak_level=100",
    )  # fmt: skip
    assert told(out)[spoilt["leak"]]["verdict"] == "use"
    code, _, err = call(capsys, "inspect", folder, *store, "--with", "inspect.leak_gradeint=1")
    assert code == 2
    assert "unknown key 'leak_gradeint'; did you mean 'leak_gradient'?" in err
    recipe = tmp_path / "plain.yaml"
    recipe.write_text(
        "recipe: 1\nname: plain\nabout: No vetting\nextends: cooled-mono\ninspect: false\n"
    )
    for how in (("--recipe", recipe), ("--no-inspect",)):
        _, out, _ = call(capsys, "plan", folder, "-o", tmp_path / "o", *store, *how, "--json")
        assert not {a["frame"] for a in json.loads(out)["set_aside"]} & {spoilt["leak"]}
    code, _, err = call(capsys, "inspect", folder, *store, "--recipe", recipe)
    assert code == 2
    assert "turns the inspection off" in err
    text = recipe.read_text().replace("inspect: false", "inspect: {flat_high: 2}")
    recipe.write_text(text)
    code, _, err = call(capsys, "inspect", folder, *store, "--recipe", recipe)
    assert code == 2
    assert "plain.yaml:5" in err


def test_a_folder_of_darks_alone_can_be_inspected(clean, tmp_path, capsys):
    source, truth = clean
    folder = tmp_path / "darks"
    folder.mkdir()
    for shot in truth.shots:
        if shot.kind == "dark":
            shutil.copy(source / shot.name, folder)
    code, out, _ = call(capsys, "inspect", folder, "--store", tmp_path / "s", "--all")
    assert code == 0
    assert "6 frames: 6 to use" in out


def test_a_run_that_vetting_leaves_nothing_to_says_why(clean, tmp_path, capsys):
    source, truth = clean
    folder = tmp_path / "darks"
    folder.mkdir()
    for shot in truth.shots:
        if shot.kind == "light":
            with fits.open(source / shot.name) as hdus:
                hdus[0].data = np.full_like(hdus[0].data, 1000) + np.uint16(len(hdus))
                hdus.writeto(folder / shot.name)
    code, _, err = call(capsys, "run", folder, "-o", tmp_path / "o", "--recipe", "quick-look")
    assert code in (1, 2)
    assert "very pixels of" in err


class OwnGauge:
    """A stranger's gauge: every light has the same number of stars, in no pattern."""

    name, version = "own", "1"

    def measure(self, frame):
        return {"stars": 50.0, "fwhm": 3.0, "roundness": 0.9}, np.ones((30, 2))

    def same_field(self, own, other):
        return True


class Stranger:
    @hookimpl
    def coldframe_star_gauge(self):
        return OwnGauge()


def test_a_stranger_may_measure_the_stars(clean, tmp_path, capsys, monkeypatch):
    registry = find_plugins()
    registry.manager.register(Stranger(), name="zz")
    assert registry.star_gauge().name == "own"
    monkeypatch.setattr("coldframe.plugins.find_plugins", lambda: registry)
    code, out, _ = call(capsys, "inspect", clean[0], "--store", tmp_path / "s", "--json")
    assert code == 0
    lights = [f for f in json.loads(out)["frames"] if f["kind"] == "light"]
    assert {f["measures"]["stars"] for f in lights} == {50.0}


class Broken:
    @hookimpl
    def coldframe_star_gauge(self):
        raise RuntimeError("no licence")


def test_a_broken_gauge_is_told_in_one_line_and_the_next_is_asked(
    clean, tmp_path, capsys, monkeypatch
):
    registry = find_plugins()
    registry.manager.register(Broken(), name="zz")
    monkeypatch.setattr("coldframe.plugins.find_plugins", lambda: registry)
    code, out, _ = call(capsys, "inspect", clean[0], "--store", tmp_path / "s", "--json")
    assert code == 0
    (line,) = json.loads(out)["warnings"]
    assert "coldframe_star_gauge failed and is left out: RuntimeError: no licence" in line
    assert any("fwhm" in f["measures"] for f in json.loads(out)["frames"])
