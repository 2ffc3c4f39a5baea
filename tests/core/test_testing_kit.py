"""coldframe.testing finds every fault it is there to find, and blames no sound step."""

import json
import subprocess
import sys

import broken_steps as steps
import numpy as np
import pytest
from astropy.io import fits

from coldframe.cli.main import run_command_line
from coldframe.frame import Flag, Kind
from coldframe.plugins import find_plugins
from coldframe.testing import RULES, check_step, run_step, sample_frames, sample_master

# rule -> steps that break it, with the words that the author gets to read
BROKEN = {
    "contract": [
        (steps.BadName, "use a-z, 0-9 and -"),
        (steps.BadFlow, "flow.pixels has grey; known: mosaic, mono, colour"),
    ],
    "schema": [
        (steps.BadDefault, "its default is not valid: 2.0 is not of type 'string'"),
        (steps.NoSuchType, "is no JSON Schema"),
        (steps.NoType, "neither type, enum"),
    ],
    "documented": [(steps.NoSources, "no sources"), (steps.NoUnit, "column 'level' has no unit")],
    "pickles": [(steps.Local, "cannot be imported")],
    "works": [(steps.AllAside, "this frame does not suit me")],
    "output": [(steps.Doubles, "data is float64"), (steps.Nan, "pixels of 'data' are NaN")],
    "facts": [
        (steps.SaysOldSize, "its pixels became 30 × 40 px and info.shape says 60 × 80 px"),
    ],
    "columns": [
        (steps.Undeclared, "reports brightness, which columns does not declare"),
        (steps.NanNumber, "'level' is nan"),
        (steps.Silent, "declares peak, which no sample frame got"),
    ],
    "flags": [
        (steps.ClearsHot, "it clears HOT (48 of 48 pixels, in 3 frames); keep"),
        (steps.ClearsTwo, "it clears HOT (48 of 48 pixels, in 3 frames), COLD (48 of"),
        (steps.NoFlags, "come out without NO_DATA"),
    ],
    "unusable": [(steps.UsesAll, "others, one at"), (steps.PeakOfAll, "the numbers reported")],
    "pure": [
        (steps.InPlace, "changed its input light_000.fits"),
        (steps.GlobalRandom, "global random generator"),
        (steps.GlobalNumpyRandom, "global random generator"),
        (steps.Remembers, "keeps something on itself"),
        (steps.ClassRemembers, "keeps something on its class"),
    ],
    "repeatable": [(steps.Clock, "pixels of 'data' are others")],
    "processes": [(steps.Hashes, "gives other bytes"), (steps.KeepsFirst, "gives other bytes")],
    "threads": [(steps.Scratch, "in several threads at once")],
    "tiles": [(steps.TileMean, "changes with the cut"), (steps.ThinHalo, "halo_rows")],
    "order": [(steps.FirstCounts, "in another order give other pixels")],
    "bad_input": [
        (steps.Breaks, "all pixels flagged NO_DATA: ValueError"),
        (steps.Terse, "'bad' does not say what is wrong"),
        (steps.EmptyNan, "pixels of 'spread' are NaN"),
    ],
}
CASES = [(rule, step, words) for rule, cases in BROKEN.items() for step, words in cases]


@pytest.fixture(scope="module")
def frames():
    return sample_frames(3, shape=(60, 80))


def check_one(rule, step, frames, **claims):
    """Only this rule, and the one without which nothing is tried."""
    rest = [name for name in RULES if name not in (rule, "works")]
    check_step(step, frames=frames, leave_out=rest, **claims)


@pytest.mark.parametrize("step", steps.SOUND, ids=lambda step: step.name)
def test_sound_steps_pass(step, frames):
    check_step(step, frames=frames, any_order=True)


@pytest.mark.parametrize(
    ("rule", "step", "words"), CASES, ids=[f"{rule}-{step.__name__}" for rule, step, _ in CASES]
)
def test_the_fault_is_found_and_told(rule, step, words, frames):
    with pytest.raises(AssertionError) as told:
        check_one(rule, step, frames, any_order=True)
    assert f"step '{step.name}' breaks the contract:\n  {rule}: " in str(told.value)
    assert words in str(told.value)


def test_every_rule_has_a_step_that_breaks_it():
    assert set(BROKEN) == set(RULES)


def test_what_the_author_says_is_heard(frames):
    check_one("flags", steps.ClearsHot, frames, clears=Flag.HOT)
    check_one("order", steps.FirstCounts, frames)
    with pytest.raises(AssertionError, match="it clears HOT"):
        check_one("flags", steps.ClearsHot, frames, moves_pixels=True)
    with pytest.raises(ValueError, match="no rule is called tile"):
        check_step(steps.Mean, leave_out=["tile"])
    with pytest.raises(ValueError, match="has no parameter facto"):
        run_step(steps.Scale, frames, params={"facto": 1})


@pytest.mark.parametrize(
    ("step", "said"),
    [
        (steps.BinsMosaics, "facts (mosaic): light_000.fits: a mosaic became 48 × 64 px from 96 × 128"),
        (steps.Colours, "facts: light_000.fits: a mosaic or mono frame became a colour frame"),
    ],
)  # fmt: skip
def test_every_kind_of_pixels_is_tried_that_a_step_takes(step, said):
    rest = [name for name in RULES if name not in ("facts", "works")]
    with pytest.raises(AssertionError) as told:
        check_step(step, moves_pixels=True, leave_out=rest)
    assert f"breaks the contract:\n  {said}" in str(told.value)
    assert str(told.value).count("\n") == 1  # mono and colour frames are told rightly


def test_all_faults_are_told_at_once(frames):
    class Twice(steps.Undeclared, steps.GlobalRandom):
        pass

    with pytest.raises(AssertionError, match=r"(?s)columns: .*pure: "):
        check_step(Twice, frames=frames, leave_out=["pickles", "processes"])


def test_sample_frames_show_every_flag_and_are_the_same_each_time():
    for kind in Kind:
        one, two = (sample_frames(2, kind=kind)[1] for _ in range(2))
        assert one.data.tobytes() == two.data.tobytes()
        assert all((one.flags & flag).any() for flag in Flag)
    assert sample_frames(1, colour=True)[0].data.shape == (3, 96, 128)
    master = sample_master("dark", one)
    assert master.info.kind is Kind.DARK


def test_no_test_framework_is_imported():
    code = "import sys, coldframe.testing; print('pytest' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


RECIPE = """\
recipe: 1
name: twin
about: A stack and its background, to compare with what the kit makes of the same frames
inspect: false
inputs: {lights: {kind: light}}
steps:
  stack: {use: combine, from: lights, with: {reject: mad-clip}}
  even: {use: background-fit, from: stack}
outputs:
  even: {fits: true}
"""


def test_the_kit_runs_steps_as_a_run_does(tmp_path, capsys):
    night = tmp_path / "night"
    night.mkdir()
    for i, frame in enumerate(sample_frames(4)):
        hdu = fits.PrimaryHDU(frame.data)
        hdu.header.extend([("IMAGETYP", "LIGHT"), ("EXPTIME", 60.0)])
        hdu.writeto(night / f"{i}.fits")
    (tmp_path / "twin.yaml").write_text(RECIPE)
    args = ["run", night, "--recipe", tmp_path / "twin.yaml", "-o", tmp_path / "out", "--json"]
    assert run_command_line([*map(str, args), "--no-library"]) == 0
    made = json.loads(capsys.readouterr().out)["products"]
    product = next(product for product in made if product["step"] == "even")

    registry = find_plugins()
    reader = next(reader for reader in registry.readers if reader.name == "fits")
    read = [reader.read_frame(reader.read_info(p)[0][0]) for p in sorted(night.glob("*.fits"))]
    stack = run_step(registry.steps["combine"], read, params={"reject": "mad-clip"}).made[0]
    even = run_step(registry.steps["background-fit"], [stack]).made[0]
    with fits.open(product["files"][0]) as hdus:
        assert np.array_equal(hdus[0].data, even.data)
    assert product["measures"]["background_rms"] == even.measures["background_rms"]
