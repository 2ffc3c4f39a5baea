"""A stranger's plugin, installed as its own distribution into a clean environment."""

import json
import os
import subprocess
import sys
import sysconfig
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).parents[2]
PLUGIN = ROOT / "tests/thirdparty/coldframe-netpbm"

RECIPE = """\
recipe: 1
name: grey-maps
about: A stranger's reader and stack step, with no change to the core
inspect: false
inputs: {lights: {kind: light}}
steps:
  stack: {use: percentile-combine, from: lights, with: {low: 25, high: 25}}
outputs:
  stack: {fits: true}
"""


@pytest.fixture(scope="module")
def clean(tmp_path_factory):
    """A venv with Coldframe and the plugin installed; only dependencies come from outside."""
    folder = tmp_path_factory.mktemp("clean")
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", folder / "venv"], check=True)
    python = folder / "venv/bin/python"
    # The outer environment's packages are on the path for dependencies; Coldframe itself is
    # not (an editable install is not followed through a plain path entry) or is shadowed.
    site = Path(
        subprocess.run(
            [python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"],
            check=True,
            capture_output=True,
            text=True,
        ).stdout.strip()
    )
    (site / "outer.pth").write_text(sysconfig.get_path("purelib") + "\n")
    copies = folder / "sources"
    for source, name in ((ROOT, "coldframe"), (PLUGIN, "plugin")):
        # Built from copies, so that no build folder appears beside the sources.
        import shutil

        shutil.copytree(
            source,
            copies / name,
            ignore=shutil.ignore_patterns(".git", ".venv*", "build", "*.egg-info", "tests")
            if name == "coldframe"
            else shutil.ignore_patterns("build", "*.egg-info"),
        )
        subprocess.run(
            [python, "-m", "pip", "install", "-q", "--no-deps", "--no-build-isolation",
             copies / name],
            check=True, env={**os.environ, "PIP_DISABLE_PIP_VERSION_CHECK": "1"},
        )  # fmt: skip
    return python.parent


def call(clean, *args, **more):
    return subprocess.run(
        [clean / "coldframe", *map(str, args)], capture_output=True, text=True, **more
    )


def write_pgm(path, data, facts):
    header = f"P5\n#{json.dumps(facts)}\n{data.shape[1]} {data.shape[0]} 65535\n"
    path.write_bytes(header.encode() + data.astype(">u2").tobytes())


def test_listed_with_its_origin(clean):
    (facts,) = json.loads(call(clean, "steps", "percentile-combine", "--json").stdout)["steps"]
    assert facts["package"] == "coldframe-netpbm"
    assert facts["package_version"] == "0.3.0"
    assert facts["params"]["low"]["unit"] == "%"
    listing = json.loads(call(clean, "steps", "--json").stdout)
    assert {"combine", "percentile-combine"} <= {step["name"] for step in listing["steps"]}
    assert listing["broken"] == {}


def test_its_own_tests_pass(clean):
    tests = PLUGIN / "tests"
    done = subprocess.run(
        [clean / "python", "-m", "pytest", "-q", "-p", "no:cacheprovider", "-c", os.devnull, tests],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert "4 passed" in done.stdout, done.stdout + done.stderr


def test_recipe_uses_it(clean, tmp_path):
    night = tmp_path / "night"
    night.mkdir()
    rng = np.random.default_rng(5)
    stack = rng.normal(1000, 20, (9, 40, 50)).round()
    stack[3, 10, 10] = 60000
    facts = {"kind": "light", "camera": "Invented P5", "exposure": 30.0}
    for i, data in enumerate(stack):
        write_pgm(night / f"{i}.pgm", data, facts)
    (tmp_path / "grey.yaml").write_text(RECIPE)
    done = call(
        clean, "run", night, "--recipe", tmp_path / "grey.yaml", "-o", tmp_path / "out", "--json"
    )
    assert done.returncode == 0, done.stderr
    product = json.loads(done.stdout)["products"][0]
    from astropy.io import fits

    with fits.open(product["files"][0]) as hdus:
        got = hdus[0].data
    low, high = np.percentile(stack, [25, 75], axis=0)
    kept = (stack >= low) & (stack <= high)
    expected = np.where(kept, stack, 0).sum(axis=0) / kept.sum(axis=0)
    np.testing.assert_allclose(got, expected, rtol=1e-6)
    assert "9 PGM files were read" in (tmp_path / "out/report.html").read_text()


def test_cut_short_file_is_set_aside_with_its_reason(clean, tmp_path):
    night = tmp_path / "night"
    night.mkdir()
    data = np.full((40, 50), 1000)
    for i in range(4):
        write_pgm(night / f"{i}.pgm", data + i, {"kind": "light", "exposure": 30.0})
    whole = (night / "0.pgm").read_bytes()
    (night / "0.pgm").write_bytes(whole[:-100])
    (tmp_path / "grey.yaml").write_text(RECIPE)
    done = call(
        clean, "run", night, "--recipe", tmp_path / "grey.yaml", "-o", tmp_path / "out", "--json"
    )
    assert done.returncode == 0, done.stderr
    aside = json.loads(done.stdout)["set_aside"]
    assert [Path(a["file"]).name for a in aside] == ["0.pgm"]
    assert "cut short" in aside[0]["reason"]


def test_broken_plugin_is_named_and_left_out(clean, tmp_path):
    package = tmp_path / "broken-1.0.dist-info"
    package.mkdir()
    (package / "METADATA").write_text("Metadata-Version: 2.1\nName: broken\nVersion: 1.0\n")
    (package / "entry_points.txt").write_text("[coldframe]\nbroken = coldframe_broken\n")
    (tmp_path / "coldframe_broken.py").write_text("import no_such_module\n")
    env = {**os.environ, "PYTHONPATH": str(tmp_path)}
    listing = call(clean, "steps", env=env)
    assert listing.returncode == 0
    assert "plugin 'broken' is left out" in listing.stderr
    assert "no_such_module" in listing.stderr
    recipe = tmp_path / "needs.yaml"
    recipe.write_text(RECIPE.replace("percentile-combine", "broken-combine"))
    refused = call(clean, "recipe", "check", recipe, env=env)
    assert refused.returncode == 2
    assert "needs.yaml:7:16: 'broken-combine' is not known here" in refused.stderr
    assert "failed to load: broken: ModuleNotFoundError" in refused.stderr
