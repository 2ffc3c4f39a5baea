"""Runs that differ in a known way are compared on the command line, from lights to verdicts."""

from __future__ import annotations

import json
import math
import shutil

import pytest
from comparesim import FWHM, LIGHTS, NOT_FLAT, RECIPE, write_lights

from coldframe.cli.main import run_command_line

PLAIN = ("--no-inspect", "--no-library")


@pytest.fixture(scope="module")
def desk(tmp_path_factory, draw_stars):
    """A night run in two ways by one command, and its half, without flattening, and again."""
    desk = tmp_path_factory.mktemp("desk")
    paths = write_lights(desk / "night", draw_stars)
    (desk / "half").mkdir()
    for path in paths[: LIGHTS // 2]:
        shutil.copy2(path, desk / "half")
    write_lights(desk / "other", draw_stars, target="Heron Cloud", count=3)
    (desk / "plain.yaml").write_text(RECIPE)
    (desk / "bare.yaml").write_text(NOT_FLAT)
    recipe = ("--recipe", str(desk / "plain.yaml"))
    store = ("--store", str(desk / "both" / "store"), *PLAIN)
    assert run_command_line([
        "compare", str(desk / "night"), *recipe, "--with", "aligned.method=bilinear",
        "-o", str(desk / "both"), "--json", *PLAIN,
    ]) == 0  # fmt: skip
    for name, night, how in (
        ("small", "half", recipe),
        ("again", "night", recipe),
        ("tilted", "night", ("--recipe", str(desk / "bare.yaml"))),
        ("heron", "other", recipe),
    ):
        command = ["run", str(desk / night), *how, "-o", str(desk / name), *store]
        assert run_command_line([*command, "--compare-masters", "0"]) == 0
    return desk


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    """As of a long night: the fewest resamples."""
    monkeypatch.setattr("coldframe.comparing.compare.SAMPLES", 1)


def compared(desk, capfd, a, b, *more):
    """What `compare --json` says of the only stack."""
    capfd.readouterr()
    store = ("--store", str(desk / "both" / "store"))
    folders = (str(desk / a), str(desk / b))
    assert (
        run_command_line(["compare", *folders, *store, "-o", str(desk / "page"), "--json", *more])
        == 0
    )
    told = json.loads(capfd.readouterr().out)
    (stack,) = told["stacks"]
    return told, stack


def test_bilinear_is_less_sharp_and_no_deeper(desk, capfd):
    """Linear interpolation at random places of a pixel adds f (1 - f), on average 1/6 px^2, to the
    variance of a star's image in each direction; the reference is not moved."""
    told, stack = compared(desk, capfd, "both/a", "both/b")
    assert told["set_otherwise"] == ["aligned.method: lanczos3, then bilinear"]
    before = FWHM**2 / (8 * math.log(2)) + 1 / 12
    wider = math.sqrt(1 + (LIGHTS - 1) / LIGHTS / 6 / before)
    worse = -100 * (1 - 1 / wider)  # below 0: A is better by so much
    assert stack["sharper"]["better"] == "A"
    assert stack["sharper"]["b_better_percent"] == pytest.approx(worse, abs=2.5)
    # A single pixel's noise falls by a third; that of a box does not.
    assert abs(stack["deeper"]["b_better_percent"]) < 8
    assert stack["lights"] == {"a": LIGHTS, "b": LIGHTS, "both": LIGHTS}


def test_half_of_the_lights_are_less_deep_by_the_root_of_two(desk, capfd, tmp_path):
    told, stack = compared(desk, capfd, "both/a", "small")
    low, high = stack["deeper"]["interval"]
    assert low < -100 * (math.sqrt(2) - 1) < high  # below 0: A is better
    assert stack["deeper"]["better"] == "A"
    assert stack["deeper"]["verdict"].startswith("A is")
    assert stack["lights"]["both"] == LIGHTS // 2
    assert any("of the lights of A are not in the other" in note for note in stack["notes"])
    assert "different nights (night; half)" in told["warnings"][0]
    # Without a store the FITS files in the output folders give the same figures, less certain.
    folders = (str(desk / "both" / "a"), str(desk / "small"))
    bare = ["compare", *folders, "--store", str(tmp_path / "none"), "-o", str(tmp_path), "--json"]
    assert run_command_line(bare) == 0
    (alone,) = json.loads(capfd.readouterr().out)["stacks"]
    assert alone["deeper"]["interval"] is None
    assert "no interval can be given" in alone["deeper"]["verdict"]
    assert alone["deeper"]["b_better_percent"] == pytest.approx(stack["deeper"]["b_better_percent"])
    assert any(note.startswith("No interval for depth and sharpness") for note in alone["notes"])


def test_what_is_not_flattened_is_less_flat(desk, capfd):
    _, stack = compared(desk, capfd, "tilted", "both/a")
    assert stack["flatter"]["better"] == "B"
    assert stack["flatter"]["b_better_percent"] > 80
    # 60 ADU from edge to edge, in units of the noise of a box
    assert stack["flatter"]["a"] * stack["deeper"]["a"] == pytest.approx(60, rel=0.1)
    assert stack["deeper"]["better"] is None, stack
    assert stack["sharper"]["better"] is None, stack


def test_the_same_run_twice_shows_no_difference(desk, capfd):
    _, stack = compared(desk, capfd, "both/a", "again")
    for word in ("deeper", "sharper", "flatter"):
        assert stack[word]["better"] is None
        assert stack[word]["b_better_percent"] == 0
        assert stack[word]["verdict"] == "no difference: both measure the same"


def test_the_table_and_the_page(desk, capfd):
    capfd.readouterr()
    page = desk / "page2" / "compare.html"
    store = ("--store", str(desk / "both" / "store"))
    command = [
        "compare",
        str(desk / "both/a"),
        str(desk / "tilted"),
        *store,
        "-o",
        str(page.parent),
    ]
    assert run_command_line(command) == 0
    said, _ = capfd.readouterr()
    assert "A is" in said
    assert "flatter" in said
    assert str(page) in said
    text = page.read_text()
    assert "A is" in text
    assert text.count("data:image/jpeg") == 2
    assert str(desk) not in text


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["both/a", "nowhere"], "is not there"),
        (["both/a", "night"], "is not a run's output"),
        (["both/a", "both/a"], "named twice"),
        (["both/a"], "two runs"),
        (["both/a", "small", "tilted"], "two runs"),
        (["both/a", "small", "--with", "stack.reject=none"], "one night"),
        (["night"], "say what B is"),
        (["night", "--with", "aligned.metod=bilinear"], "metod"),
        (["both/a", "heron"], "no target and filter in common"),
        (["both/a", "broken"], "has not finished"),
    ],
)
def test_wrong_use_is_told_in_a_line(desk, capfd, monkeypatch, args, says):
    monkeypatch.chdir(desk)
    broken = desk / "broken"
    broken.mkdir(exist_ok=True)
    (broken / "coldframe-run.json").write_text('{"state": "running", "recipe": {"name": "plain"}}')
    capfd.readouterr()
    assert run_command_line(["compare", *args, "-o", "errors"]) == 2
    assert says in capfd.readouterr().err
    assert not (desk / "errors" / "compare.html").exists()
