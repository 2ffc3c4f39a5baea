"""The main job as a user runs it: an invented night in, checked products out."""

import json
import shutil
import signal
import subprocess
import sys
import time
import warnings
from pathlib import Path

import fitsio
import numpy as np
import pytest
from astropy.io import fits

from coldframe.cli.main import run_command_line
from coldframe.product import read_frame
from sharing import typed as call

KINDS = ("colour", "mono")
ALONE = ("--no-library", "--json")


def digest(folder):
    return {p.relative_to(folder): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.fixture(scope="module")
def nights(demo_night):
    made = {kind: demo_night(kind) for kind in KINDS}
    return {kind: (night.folder, night.truth) for kind, night in made.items()}


@pytest.fixture(scope="module", params=KINDS)
def done(request, demo_run):
    """One night run by the command line, with its summary."""
    run = demo_run(request.param)
    return request.param, run.night, run.output, run.summary, run.truth, run.said


def test_the_right_recipe_is_chosen_and_the_reason_said(done):
    kind, _, _, summary, _, said = done
    assert summary["recipe"] == {"colour": "camera-lens", "mono": "cooled-mono"}[kind]
    assert f"recipe {summary['recipe']}: the night has" in said


def test_every_frame_is_accounted_for(done):
    _, _, output, summary, truth, _ = done
    manifest = json.loads((output / "coldframe-run.json").read_text())
    assert manifest["state"] == "done"
    assert len(manifest["frames"]) == len(truth.shots)
    assert summary["used"] + len(summary["set_aside"]) == len(truth.shots)
    assert all(frame["reason"] for frame in manifest["frames"] if not frame["used"])
    names = {Path(f["file"]).name: f for f in manifest["frames"]}
    for shot in truth.shots:
        found = names[Path(shot.name).name]
        assert found["kind"] == shot.kind.value, (shot.name, found["kind_reason"])


def test_products_are_sound_fits(done):
    """FITS Standard 4.0, by astropy's verifier and by cfitsio (fitsio)."""
    _, _, _, summary, _, _ = done
    files = [f for p in summary["products"] for f in p["files"] if f.endswith(".fits")]
    assert files
    for file in files:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            with fits.open(file, checksum=True) as hdus:
                hdus.verify("exception")
                assert all(hdu.verify_checksum() and hdu.verify_datasum() for hdu in hdus)
                data = hdus[0].data
                table = hdus["PROVENANCE"].data
                steps = set(table["STEP"])
                assert any(step.startswith("integrate ") for step in steps)
                assert any(step.startswith("read ") for step in steps)
                assert hdus[0].header["WCSAXES"] == 2
        with fitsio.FITS(file) as other:
            np.testing.assert_array_equal(other[0].read(), data)
        assert np.isfinite(data).all()


def test_previews_and_tiffs_open_elsewhere(done):
    from PIL import Image
    from skimage.io import imread

    _, _, _, summary, _, _ = done
    files = [f for p in summary["products"] for f in p["files"]]
    pngs = [f for f in files if f.endswith(".png")]
    tiffs = [f for f in files if f.endswith(".tif") or f.endswith(".tiff")]
    assert pngs
    assert tiffs
    for file in pngs:
        with Image.open(file) as image:
            picture = np.asarray(image)
        assert picture.std() > 1
    for file in tiffs:
        assert imread(file).std() > 0


def test_the_report_tells_the_same(done):
    _, _, output, summary, _, _ = done
    page = (output / "report.html").read_text()
    assert "<html" in page
    for frame in summary["set_aside"]:
        assert Path(frame["file"]).name in page
    assert 'src="http' not in page
    assert 'href="http' not in page


def test_a_second_run_makes_the_same_files_and_does_no_work_again(done, tmp_path):
    _, night, first, summary, _, _ = done

    def to_do(output):
        return json.loads(call("plan", night, "-o", output, *ALONE).stdout)["tasks"]["to_do"]

    assert to_do(first) == 0
    output = tmp_path / "out"
    shutil.copytree(first, output)
    written = sum(len(product["files"]) for product in summary["products"])
    assert to_do(output) == written  # only what is written for people depends on its folder
    assert call("run", night, "-o", output, *ALONE).returncode == 0
    assert to_do(output) == 0
    outputs = [p for p in output.iterdir() if p.suffix in (".fits", ".png", ".tif", ".tiff")]
    before = {p.name: p.read_bytes() for p in outputs}
    outputs[0].unlink()
    outputs[1].write_bytes(outputs[1].read_bytes()[:-1])
    assert to_do(output) == 2
    again = call("run", night, "-o", output, *ALONE)
    assert again.returncode == 0, again.stderr
    told = {Path(f).name for p in json.loads(again.stdout)["products"] for f in p["files"]}
    assert told == set(before)
    assert {p.name: p.read_bytes() for p in outputs} == before


def test_products_are_the_same_bytes_on_every_scheduler(done, tmp_path):
    _, night, _, summary, _, _ = done
    before = digest(night)
    for scheduler in ("sync", "processes"):
        there = tmp_path / scheduler
        result = call("run", night, "-o", there, "--scheduler", scheduler, "--workers", "2",
                      "--memory", "1200MiB")  # fmt: skip
        assert result.returncode == 0, result.stderr
        for product in summary["products"]:
            for file in map(Path, product["files"]):
                assert (there / file.name).read_bytes() == file.read_bytes(), (scheduler, file.name)
        shutil.rmtree(there)
    assert digest(night) == before, "a source frame was written to"


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT])
def test_a_run_that_was_stopped_goes_on_and_ends_the_same(done, tmp_path, how):
    _, night, _, summary, _, _ = done
    there = tmp_path / "out"
    command = [sys.executable, "-m", "coldframe.cli", "run", str(night), "-o", str(there), *ALONE]
    process = subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    )
    deadline = time.monotonic() + 120
    while len(list(there.glob("store/*/*.json"))) < 12 and time.monotonic() < deadline:
        time.sleep(0.02)
    process.send_signal(how)
    said = process.communicate()[1]
    assert process.returncode != 0
    assert "Traceback" not in said
    if how == signal.SIGINT:
        assert process.returncode == 130
        assert "stopped. Finished work is kept" in said
    assert json.loads((there / "coldframe-run.json").read_text())["state"] == "running"
    again = call("run", night, "-o", there, *ALONE)
    assert again.returncode == 0, again.stderr
    for product in summary["products"]:
        for file in map(Path, product["files"]):
            assert (there / file.name).read_bytes() == file.read_bytes(), file.name


def test_bad_files_are_named_and_everything_else_is_used(nights, tmp_path):
    night, truth = nights["colour"]
    bad = tmp_path / "night"
    shutil.copytree(night, bad)
    light = bad / next(s.name for s in truth.shots if s.kind.value == "light")
    (bad / "cut.dng").write_bytes(light.read_bytes()[:20000])
    (bad / "text.fits").write_text("not a picture")
    (bad / "nothing.dng").touch()
    shutil.copy(light, bad / "again.dng")
    fits.PrimaryHDU(np.zeros((7, 9), np.uint16)).writeto(bad / "small.fits")
    result = call("run", bad, "-o", tmp_path / "out", "--json")
    assert result.returncode == 0, result.stderr
    summary = json.loads(result.stdout)
    reasons = {Path(a["file"]).name: a["reason"] for a in summary["set_aside"]}
    assert "truncated" in reasons["cut.dng"]
    assert "empty" in reasons["nothing.dng"]
    assert {"text.fits", "small.fits"} <= set(reasons)
    assert any("the same bytes" in reason for reason in reasons.values())
    assert summary["used"] + len(summary["set_aside"]) == len(truth.shots) + 5
    page = (tmp_path / "out/report.html").read_text()
    assert all(name in page for name in reasons)


def test_an_output_that_cannot_be_written_is_told(nights, capsys):
    night, _ = nights["mono"]
    assert run_command_line(["run", str(night), "-o", "/proc/nowhere"]) == 1
    said = capsys.readouterr().err
    assert "cannot write /proc/nowhere" in said
    assert "Traceback" not in said
    assert run_command_line(["run", str(night), "-o", str(night)]) == 2
    assert "a night's own folder" in capsys.readouterr().err


def test_plan_shows_groups_and_matches(nights):
    night, truth = nights["colour"]
    result = call("plan", night, "-o", night.parent / "never")
    assert result.returncode == 0, result.stderr
    for word in ("Recipe camera-lens", "Frames", "Groups", "Masters", "tasks to do"):
        assert word in result.stdout
    assert not (night.parent / "never").exists() or not list(
        (night.parent / "never").glob("*.fits")
    )
    facts = json.loads(call("plan", night, "-o", night.parent / "never", "--json").stdout)
    lights = sum(shot.kind.value == "light" for shot in truth.shots)
    dark = [m for m in facts["matches"] if m["step"] == "clean" and m["kind"] == "dark"]
    assert sum(m["frames"] for m in dark) <= lights
    assert facts["estimate"]["seconds"] > 0
    assert facts["estimate"]["memory"] > 0
    assert facts["estimate"]["disk"] > 0


def test_lights_alone_are_stacked(nights, tmp_path):
    night, truth = nights["colour"]
    lights = [s for s in truth.shots if s.kind.value == "light"]
    folder = tmp_path / "lights"
    folder.mkdir()
    for shot in lights[:6]:
        shutil.copy(night / shot.name, folder)
    result = call("run", folder, "-o", tmp_path / "out", "--json")
    assert result.returncode == 0, result.stderr
    summary = json.loads(result.stdout)
    assert summary["recipe"] == "lights-only"
    stack = read_frame(
        Path(next(f for f in summary["products"][0]["files"] if f.endswith(".fits")))
    )
    assert stack.data.ndim == 3


@pytest.mark.parametrize(
    ("args", "code", "said"),
    [
        (["run", "no-such-folder"], 2, "no-such-folder"),
        (["run"], 2, "no night was given"),
        (["rnu"], 2, "did you mean 'run'?"),
        (["run", ".", "--memory", "little"], 2, "not an amount of memory"),
        (["run", ".", "--recipe", "camera-lense"], 2, "did you mean 'camera-lens'?"),
        (["steps", "combin"], 2, "did you mean 'combine', or is its plugin not installed?"),
        (["recipe", "show", "nothing"], 2, "there is no recipe 'nothing'"),
    ],
)
def test_wrong_use_is_told_in_one_line_with_code_2(args, code, said, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert run_command_line(args) == code
    text = capsys.readouterr()
    assert said in text.err
    assert "Traceback" not in text.err + text.out


def test_an_empty_folder_is_told(tmp_path, capsys):
    (tmp_path / "empty").mkdir()
    assert run_command_line(["run", str(tmp_path / "empty"), "-o", str(tmp_path / "out")]) == 2
    assert "empty" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
