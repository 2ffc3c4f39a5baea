"""`coldframe plugin new`: what it writes installs, passes its own tests and runs in a recipe."""

import json
import os
import shutil
import subprocess
import sys

import numpy as np
import pytest

from coldframe.cli.main import run_command_line
from coldframe.template.write import KINDS


@pytest.fixture(scope="module")
def night(demo_night):
    return demo_night("colour", seed=1).folder


def call(folder, site, *args):
    """Run Python where the plugin is installed into `site`."""
    path = os.pathsep.join([str(site), *filter(None, sys.path)])
    done = subprocess.run(
        [sys.executable, *map(str, args)], cwd=folder, capture_output=True, text=True,
        env={**os.environ, "PYTHONPATH": path}, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def numpy_night(folder):
    """Lights that only the plugin's reader can read."""
    folder.mkdir()
    for i in range(3):
        np.save(folder / f"{i}.npy", np.full((40, 50), 500 + i, np.uint16))
        (folder / f"{i}.json").write_text('{"kind": "light", "exposure": 30.0}')
    return folder


@pytest.mark.parametrize("kind", KINDS)
def test_it_installs_tests_itself_and_runs(kind, night, tmp_path, capsys):
    folder, site = tmp_path / "work", tmp_path / "site"
    args = ["plugin", "new", "my-own-step", "--kind", kind, "-o", str(folder), "--json"]
    assert run_command_line(args) == 0
    told = json.loads(capsys.readouterr().out)
    assert set(told["files"]) == {str(p) for p in folder.rglob("*") if p.is_file()}

    call(
        tmp_path, tmp_path, "-m", "pip", "install", "-q", "--no-deps", "--no-build-isolation",
        "--no-index", "--disable-pip-version-check", "--target", site, folder,
    )  # fmt: skip
    tried = call(folder, site, "-m", "pytest", "-q", "-p", "no:cacheprovider")
    assert "2 passed" in tried

    frames = 7
    if kind == "reader":
        night, frames = numpy_night(tmp_path / "night"), 3
    elif kind != "report":
        told = call(folder, site, "-m", "coldframe.cli", "steps", "my-own-step", "--json")
        assert json.loads(told)["steps"][0]["package"] == "coldframe-my-own-step"
    done = call(
        folder, site, "-m", "coldframe.cli", "run", night, "--recipe", "recipe.yaml",
        "-o", tmp_path / "out", "--no-library", "--json",
    )  # fmt: skip
    (product,) = json.loads(done)["products"]
    assert product["measures"]["frames"] == frames
    if kind == "report":
        assert "Exposure by target" in (tmp_path / "out/report.html").read_text()


@pytest.mark.parametrize("kind", KINDS)
def test_what_it_writes_is_in_good_form(kind, tmp_path):
    ruff = shutil.which("ruff")
    if ruff is None:
        pytest.skip("ruff is in the extra 'dev'")
    run_command_line(["plugin", "new", "a-step", "--kind", kind, "-o", str(tmp_path / "p")])
    for args in (["check", "--select", "E,F,W,B"], ["format", "--check"]):
        done = subprocess.run(
            [ruff, *args, "--isolated", "--line-length", "100", tmp_path / "p"],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout


def test_a_bad_name_and_a_full_folder_are_refused(tmp_path, capsys):
    (tmp_path / "file").write_text("mine")
    assert run_command_line(["plugin", "new", "x", "-o", str(tmp_path)]) == 2
    assert "is there already" in capsys.readouterr().err
    assert run_command_line(["plugin", "new", "Crisp Mean", "-o", str(tmp_path / "new")]) == 2
    assert "such as crisp-mean" in capsys.readouterr().err
    assert not (tmp_path / "new").exists()
