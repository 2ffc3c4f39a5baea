"""The calibration library as a user has it: real commands, real kills, real full disks."""

import contextlib
import ctypes
import io
import json
import os
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import sim_frames as sim

from coldframe.cli.main import run_command_line
from coldframe.product import read_frame


def call(*args):
    """A command, in this process: starting one a command would take most of the tests' time."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = run_command_line([str(arg) for arg in args])
    return subprocess.CompletedProcess(args, code, out.getvalue(), err.getvalue())


def spawn(*args, **more):
    """A command in a process of its own, as from a shell."""
    command = [sys.executable, "-m", "coldframe.cli", *map(str, args)]
    return subprocess.run(command, capture_output=True, text=True, check=False, **more)


def good(*args):
    result = call(*args, "--json")
    assert result.returncode == 0, result.stderr
    return json.loads(result.stdout)


def holds(library):
    """Every master's files, byte for byte."""
    return {p.name: p.read_bytes() for p in sorted((library / "store").glob("*/*.fits"))}


@pytest.fixture(scope="module")
def frames(tmp_path_factory):
    folder = tmp_path_factory.mktemp("frames") / "calibration"
    sim.calibration(folder)
    return folder


@pytest.fixture(scope="module")
def made(frames):
    library = frames.parent / "library"
    before = {p: p.read_bytes() for p in frames.rglob("*.fits")}
    summary = good("library", "add", frames, "--library", library)
    assert {p: p.read_bytes() for p in frames.rglob("*.fits")} == before
    return library, summary


@pytest.fixture
def library(made, tmp_path):
    """A library of one's own to break."""
    there = tmp_path / "library"
    shutil.copytree(made[0], there)
    return there


def test_add_makes_a_master_of_every_setting(made):
    library, summary = made
    assert sorted(row["kind"] for row in summary["new"]) == ["bias", "dark", "dark", "flat"]
    listed = good("library", "list", "--library", library)
    assert {row["id"] for row in listed} == {row["id"] for row in summary["new"]}
    assert [row["frames"] for row in listed if row["kind"] == "dark"] == [6, 6]
    assert len(good("library", "list", "--library", library, "--kind", "flat")) == 1
    assert [p.name for p in (library / "work").iterdir()] == ["lock"]
    words = call("library", "list", "--library", library).stdout
    assert "dark · 60 s · gain 100 · offset 30 · -10.0 °C" in words


def test_adding_again_finds_them_there(made, frames):
    library, summary = made
    again = good("library", "add", frames, "--library", library)
    assert again["new"] == []
    assert sorted(again["known"]) == sorted(row["id"] for row in summary["new"])


def test_a_shot_list_counts_the_masters_that_there_are(made):
    library, _ = made
    plan = "camera=Nachtauge M9,gain=100,offset=30,exposure=60,temperature=0,filter=L"
    have = {}
    for where in (("--library", library), ("--no-library",)):
        items = good("shotlist", "--for", plan, *where)["items"]
        have[where[0]] = next(i["have"] for i in items if i["kind"] == "dark")
    assert have == {"--library": 6, "--no-library": 0}


def test_a_page_tells_the_truth_of_the_sensor(made):
    """Against the simulation's own truth; dark current by EMVA Standard 1288, 7.1."""
    library, _ = made
    warm = next(r for r in good("library", "list", "--library", library) if "0.0 °C" in r["label"]
                and "-" not in r["label"])  # fmt: skip
    page = good("library", "show", warm["id"], "--library", library)
    current = page["dark_current"]
    truth = sim.DARK_AT_0 / sim.GAIN
    assert abs(current["value"] - truth) < 4 * current["error"] + 0.01 * truth
    assert current["electrons"] == pytest.approx(current["value"] * sim.GAIN)
    law = current["doubling"]
    assert abs(law["degrees"] - sim.DOUBLING) < 3 * law["error"]
    assert page["measures"]["hot_pixels"] == pytest.approx(sim.HOT, abs=4)
    noise = np.sqrt((60 * sim.DARK_AT_0 + sim.READ_NOISE**2) / 6) / sim.GAIN
    assert page["measures"]["temporal_noise"] == pytest.approx(noise, rel=0.1)
    assert len(page["shots"]) == 6
    words = call("library", "show", warm["id"], "--library", library).stdout
    for word in ("hot pixels", "it doubles", "noise it adds to a light", "dark-0-0-60-3.fits"):
        assert word in words


def test_a_run_takes_masters_from_the_library(made, tmp_path):
    library, summary = made
    lights = tmp_path / "lights"
    paths = sim.write(lights, "light", 5, exposure=60.0, light=30.0, day=12)
    alone = call("match", lights, "-o", tmp_path / "o", "--library", library)
    assert alone.returncode == 0, alone.stderr
    assert "recipe cooled-mono" in alone.stdout.lower()
    assert not (tmp_path / "o" / "report.html").exists()
    found = good("match", lights, "-o", tmp_path / "o", "--library", library)["matches"]
    clean = {row["kind"]: row for row in found if row["step"] == "clean"}
    dark = clean["dark"]
    assert dark["frames"] == len(paths)
    assert dark["chosen"]["library"]
    assert "-10.0 °C" in dark["chosen"]["master"]
    assert "10.0 °C warmer, its scale fitted" in dark["runner_up_words"]
    assert dark["chosen"]["distances"]["age_days"] == pytest.approx(12, abs=0.1)
    assert dark["chosen"]["total"] == pytest.approx(12 / 365 + 0.05, abs=0.01)
    plan = good("plan", lights, "-o", tmp_path / "o", "--library", library)
    assert {m["kind"] for m in plan["matches"] if m["master"].startswith("library ")} == {
        "bias", "dark", "flat"
    }  # fmt: skip
    done = good("run", lights, "-o", tmp_path / "o", "--library", library)
    manifest = json.loads((tmp_path / "o" / "coldframe-run.json").read_text())
    keys = {row["key"] for row in summary["new"]}
    for frame in manifest["frames"]:
        assert {use["kind"] for use in frame["masters"]} == {"bias", "dark", "flat"}
        assert {use["product"] for use in frame["masters"]} <= keys
    page = (tmp_path / "o" / "report.html").read_text()
    assert f"library {dark['chosen']['key'][:10]}" in page
    # The same masters made of the night's own frames give the same pixels.
    night = tmp_path / "night"
    shutil.copytree(lights, night / "lights")
    shutil.copytree(made[0].parent / "calibration", night / "calibration")
    own = good("run", night, "-o", tmp_path / "own", "--no-library")
    stacks = [
        next(f for p in run["products"] if p["step"] == "stack" for f in p["files"])
        for run in (done, own)
    ]
    np.testing.assert_array_equal(*(read_frame(Path(f)).data for f in stacks))


def test_frames_of_the_night_win_ties(made, frames, tmp_path):
    night = tmp_path / "night"
    sim.write(night, "light", 3, exposure=60.0, light=30.0, day=0)
    sim.write(night, "dark", 4, exposure=60.0, day=0, seed=9)
    found = good("match", night, "-o", tmp_path / "o", "--library", made[0])["matches"]
    dark = next(row for row in found if row["kind"] == "dark" and row["step"] == "clean")
    assert not dark["chosen"]["library"]
    assert dark["runner_up"]["library"]
    assert dark["runner_up"]["fits"]


def test_no_library_means_none(made, tmp_path):
    sim.write(tmp_path / "lights", "light", 3, exposure=60.0, light=30.0)
    asked = ("match", tmp_path / "lights", "-o", tmp_path / "o")
    home = {**os.environ, "XDG_DATA_HOME": str(tmp_path / "data")}
    shutil.copytree(made[0], tmp_path / "data" / "coldframe" / "library")
    found = json.loads(spawn(*asked, "--json", env=home).stdout)
    assert any(row["chosen"] and row["chosen"]["library"] for row in found["matches"])
    without = json.loads(spawn(*asked, "--json", "--no-library", env=home).stdout)
    assert without["recipe"] == "lights-only"
    assert not any(row["candidates"] for row in without["matches"])


RECIPE = """\
recipe: 1
name: warm-nights
about: darks are interpolated
extends: cooled-mono
steps:
  clean:
    match: {dark: {interpolate: true}}
"""


def test_interpolation_only_when_the_recipe_allows_it(made, tmp_path):
    """Truth: the simulation's dark current at the light's temperature."""
    library, _ = made
    lights = tmp_path / "lights"
    sim.write(lights, "light", 4, exposure=60.0, temperature=-5.0, light=30.0, day=3)
    asked = (lights, "-o", tmp_path / "o", "--library", library)
    plain = good("match", *asked)["matches"]
    dark = next(r for r in plain if r["kind"] == "dark" and r["step"] == "clean")
    assert dark["chosen"]["library"]
    assert "5.0 °C colder, its scale fitted" in dark["why"] or "5.0 °C warmer" in dark["why"]
    (tmp_path / "warm.yaml").write_text(RECIPE)
    asked += ("--recipe", tmp_path / "warm.yaml")
    found = good("match", *asked)["matches"]
    dark = next(r for r in found if r["kind"] == "dark" and r["step"] == "clean")
    for word in ("interpolated to -5.0 °C between library", "dark current doubles every", "±"):
        assert word in dark["why"]
    truth = (2 ** (5 / 6) - 1) / (2 ** (10 / 6) - 1)
    share, error = dark["chosen"]["share_of_warmer"], dark["chosen"]["share_error"]
    assert abs(share - truth) < 3 * error
    good("run", *asked)
    manifest = json.loads((tmp_path / "o" / "coldframe-run.json").read_text())
    use = next(u for u in manifest["frames"][0]["masters"] if u["kind"] == "dark")
    assert "interpolated to -5.0 °C" in use["note"]
    key = use["product"]
    master = read_frame(tmp_path / "o" / "store" / key[:2] / f"{key}.fits")
    expected = sim.BLACK + sim.PATTERN + 60 * sim.dark_current(-5.0) / sim.GAIN
    error = (master.data - expected) / np.sqrt(master.planes["variance"])
    assert abs(np.median(error)) < 1.0
    assert np.median(np.abs(error)) * 1.4826 < 1.5
    assert "interpolated" in (tmp_path / "o" / "report.html").read_text()


def test_masters_of_the_same_settings_that_disagree_are_told(library, tmp_path):
    sim.write(tmp_path / "same", "dark", 6, exposure=60.0, day=20, seed=3)
    said = good("library", "add", tmp_path / "same", "--library", library)
    assert said["warnings"] == []
    bright = tmp_path / "leak"
    sim.write(bright, "dark", 6, exposure=60.0, day=40, seed=4, light=1.0)
    said = good("library", "add", bright, "--library", library)
    assert any("disagrees with" in w and "t = " in w for w in said["warnings"])
    page = good("library", "show", said["new"][0]["id"], "--library", library)
    assert [v["disagrees"] for v in page["compared"]] == [True, True]
    assert all("Welch" in v["test"] for v in page["compared"])
    assert page["compared"][0]["difference"] == pytest.approx(-30, abs=3)
    dust = sim.SENSITIVITY.copy()
    dust[20:34, 30:44] *= 0.9
    sim.write(tmp_path / "dust", "flat", 6, exposure=2.0, light=8000.0, day=9, shape_of=dust)
    sim.write(tmp_path / "alike", "flat", 6, exposure=2.0, light=7000.0, day=4)
    alike = good("library", "add", tmp_path / "alike", "--library", library)
    assert alike["warnings"] == []
    dusty = good("library", "add", tmp_path / "dust", "--library", library)
    assert any("chi-squared = " in w and "dust" in w for w in dusty["warnings"])
    words = call("library", "show", dusty["new"][0]["id"], "--library", library).stdout
    assert "warning: disagrees with" in words


def test_masters_age_out_by_the_users_rule(library, tmp_path):
    lights = tmp_path / "lights"
    sim.write(lights, "light", 3, exposure=60.0, light=30.0, day=45)
    asked = ("match", lights, "-o", tmp_path / "o", "--library", library)
    flat = next(r for r in good(*asked)["matches"] if r["kind"] == "flat" and r["step"] == "clean")
    assert flat["chosen"] is None
    assert "45.0 days away; tolerance 30" in flat["why"]
    assert good("library", "rules", "--library", library, "--dark", "20", "--bias", "never") == {
        "bias": None, "dark": 20.0, "dark-flat": 365.0, "flat": 30.0
    }  # fmt: skip
    dark = next(r for r in good(*asked)["matches"] if r["kind"] == "dark" and r["step"] == "clean")
    assert dark["chosen"] is None
    assert "45.0 days away; tolerance 20" in dark["why"]
    listed = good("library", "list", "--library", library)
    assert {row["kind"] for row in listed if row["aged_out"]} == {"dark", "flat"}
    wrong = call("library", "rules", "--library", library, "--dark", "-4")
    assert wrong.returncode == 2
    assert "no age" in wrong.stderr


def test_gaps_are_told(library):
    found = good("library", "gaps", "--library", library)
    words = [gap["words"] for gap in found]
    assert any("none between -10.0 and 0.0 °C" in w for w in words)
    assert any("has 6 frames only" in w for w in words)
    assert "temperature" in call("library", "gaps", "--library", library).stdout


def test_remove_export_import(library, tmp_path):
    rows = good("library", "list", "--library", library)
    whole = holds(library)
    done = good("library", "export", tmp_path / "all.tar", "--library", library)
    assert done["masters"] == 4
    first = rows[0]
    assert good("library", "remove", first["id"], "--library", library)["removed"] == [first["key"]]
    assert len(holds(library)) == 3
    gone = call("library", "show", first["id"], "--library", library)
    assert gone.returncode == 2
    assert "has no master" in gone.stderr
    there = good("library", "import", tmp_path / "all.tar", "--library", library)
    assert (there["new"], len(there["known"])) == ([first["id"]], 3)
    other = tmp_path / "other"
    assert len(good("library", "import", tmp_path / "all.tar", "--library", other)["new"]) == 4
    assert holds(other) == holds(library) == whole
    assert good("library", "check", "--library", other)["ok"]


def test_an_import_that_is_no_export_or_damaged_is_refused(library, tmp_path):
    import tarfile

    bad = tmp_path / "bad.tar"
    with tarfile.open(bad, "w") as tar:
        info = tarfile.TarInfo("../escape.fits")
        info.size = 3
        tar.addfile(info, io.BytesIO(b"abc"))
    result = call("library", "import", bad, "--library", library)
    assert result.returncode == 2
    assert "no export of a library" in result.stderr
    assert not list(tmp_path.rglob("escape.fits"))
    (tmp_path / "text.tar").write_text("no tar")
    assert call("library", "import", tmp_path / "text.tar", "--library", library).returncode == 2
    file = tmp_path / "all.tar"
    good("library", "export", file, "--library", library)
    content = bytearray(file.read_bytes())
    content[20_000] ^= 1
    file.write_bytes(content)
    result = call("library", "import", file, "--library", tmp_path / "new")
    assert result.returncode == 1
    assert "is damaged" in result.stderr


def test_check_finds_a_flipped_bit_and_a_run_refuses_it(library, tmp_path):
    assert good("library", "check", "--library", library)["ok"]
    dark = next(r for r in good("library", "list", "--library", library) if "-10" in r["label"]
                and r["kind"] == "dark")  # fmt: skip
    file = library / "store" / dark["key"][:2] / f"{dark['key']}.fits"
    content = bytearray(file.read_bytes())
    content[10_000] ^= 4
    file.write_bytes(content)
    result = call("library", "check", "--library", library)
    assert result.returncode == 1
    assert dark["id"] in result.stdout
    assert "checksum" in result.stdout
    sim.write(tmp_path / "lights", "light", 3, exposure=60.0, light=30.0, day=1)
    run = call("run", tmp_path / "lights", "-o", tmp_path / "o", "--library", library)
    assert run.returncode == 1
    assert "gone or damaged" in run.stderr
    assert "Traceback" not in run.stderr


# -- what may go wrong -------------------------------------------------------------------------


def test_a_damaged_index_is_told_and_made_anew_and_nothing_is_lost(library):
    before = good("library", "list", "--library", library)
    index = library / "index.sqlite"
    for suffix in ("-wal", "-shm"):
        Path(f"{index}{suffix}").unlink(missing_ok=True)
    size = index.stat().st_size
    index.write_bytes(os.urandom(size))
    for command in (("list",), ("gaps",), ("show", before[0]["id"])):
        result = call("library", *command, "--library", library)
        assert result.returncode == 1
        assert "is damaged" in result.stderr
        assert "library rebuild" in result.stderr
        assert "Traceback" not in result.stderr
    assert good("library", "rebuild", "--library", library) == {"masters": 4}
    assert good("library", "list", "--library", library) == before
    content = bytearray(index.read_bytes())  # damage inside: the header stays good
    content[4096:] = b"\xa5" * (len(content) - 4096)
    index.write_bytes(content)
    for suffix in ("-wal", "-shm"):
        Path(f"{index}{suffix}").unlink(missing_ok=True)
    assert call("library", "list", "--library", library).returncode == 1
    good("library", "rebuild", "--library", library)
    assert good("library", "list", "--library", library) == before
    index.unlink()
    assert good("library", "list", "--library", library) == before


def test_a_damaged_entry_is_written_anew_from_the_index(library):
    before = good("library", "list", "--library", library)
    page = library / "masters" / f"{before[0]['key']}.json"
    page.write_text(page.read_text()[:100])
    assert good("library", "check", "--library", library)["mended"] == [before[0]["key"]]
    good("library", "rebuild", "--library", library)
    assert good("library", "list", "--library", library) == before


def test_an_index_from_a_newer_version_is_left_alone(library, tmp_path):
    with sqlite3.connect(library / "index.sqlite") as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    before = (library / "index.sqlite").read_bytes()
    for command in (("library", "list"), ("library", "add", library)):
        result = call(*command, "--library", library)
        assert result.returncode == 1
        assert "newer Coldframe (format 99" in result.stderr
        assert "Traceback" not in result.stderr
    assert (library / "index.sqlite").read_bytes() == before
    rules = library / "library.json"
    rules.write_text(rules.read_text().replace('"format": 1', '"format": 7'))
    result = call("library", "list", "--library", library)
    assert "newer Coldframe (format 7" in result.stderr


DAC_OVERRIDE, DAC_READ_SEARCH, CAPBSET_DROP = 1, 2, 24


def without_privilege():
    """As root no permission bites, until the process can no longer override them (prctl(2))."""
    if os.geteuid() == 0:
        for capability in (DAC_OVERRIDE, DAC_READ_SEARCH):
            if ctypes.CDLL(None).prctl(CAPBSET_DROP, capability, 0, 0, 0):
                raise OSError("the privilege cannot be dropped")


def test_a_folder_that_cannot_be_written_is_told_and_can_still_be_read(library, frames):
    folders = [library, *(p for p in library.rglob("*") if p.is_dir())]
    for folder in folders:
        folder.chmod(0o555)
    ours = {"preexec_fn": without_privilege}
    row = good("library", "list", "--library", library)[0]
    try:
        for args in (("add", frames), ("remove", row["id"]), ("rules", "--flat", "3")):
            result = spawn("library", *args, "--library", library, **ours)
            assert result.returncode == 1
            assert "cannot write" in result.stderr
            assert "Permission denied" in result.stderr
            assert "Traceback" not in result.stderr
        listed = spawn("library", "list", "--library", library, "--json", **ours)
        assert listed.returncode == 0, listed.stderr
        assert len(json.loads(listed.stdout)) == 4
    finally:
        for folder in folders:
            folder.chmod(0o755)
    nowhere = call("library", "add", frames, "--library", "/proc/nowhere")
    assert nowhere.returncode == 1
    assert "cannot write" in nowhere.stderr


def after_a_stop(library, frames, whole):
    """Whatever happened, the library reads, goes on and ends with the same bytes."""
    listed = call("library", "list", "--library", library, "--json")
    if (library / "library.json").exists():
        assert listed.returncode == 0, listed.stderr
        kept = {row["key"] for row in json.loads(listed.stdout)}
        check = call("library", "check", "--library", library, "--json")
        assert check.returncode == 0, check.stdout
        again = good("library", "add", frames, "--library", library)
        assert {row["key"] for row in again["new"]} | kept == {n[:40] for n in whole}
    else:
        good("library", "add", frames, "--library", library)
    assert holds(library) == whole
    assert [p.name for p in (library / "work").iterdir()] == ["lock"]


# What is there at the moment of the kill: work begun, the first master kept, the third kept.
MOMENTS = {
    "at work": ("work/*/*/*.json", 3),
    "first": ("masters/*.json", 1),
    "third": ("masters/*.json", 3),
}


@pytest.mark.parametrize("moment", MOMENTS)
def test_kill_9_in_the_middle_of_an_add(made, frames, tmp_path, moment):
    pattern, least = MOMENTS[moment]
    for attempt in range(5):  # on a quick machine the add may be over before the kill
        there = tmp_path / str(attempt)
        command = [sys.executable, "-m", "coldframe.cli", "library", "add", str(frames)]
        command += ["--library", str(there), "--workers", "1"]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        deadline = time.monotonic() + 120
        while (
            len(list(there.glob(pattern))) < least
            and process.poll() is None
            and time.monotonic() < deadline
        ):
            time.sleep(0.0005)
        process.send_signal(signal.SIGKILL)
        process.communicate()
        if process.returncode == -signal.SIGKILL:
            break
    assert process.returncode == -signal.SIGKILL
    after_a_stop(there, frames, holds(made[0]))


def small_files():
    resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000))


def test_a_write_that_fails_in_the_middle_of_an_add(made, frames, tmp_path):
    """The system refuses to let a file grow: a master cannot be written whole."""
    there = tmp_path / "library"
    good("library", "import", exported(made[0], tmp_path, "bias"), "--library", there)
    result = spawn("library", "add", frames, "--library", there, preexec_fn=small_files)
    assert result.returncode == 1
    assert "cannot write" in result.stderr
    assert "Traceback" not in result.stderr
    assert len(good("library", "list", "--library", there)) == 1
    after_a_stop(there, frames, holds(made[0]))


def exported(library, tmp_path, kind):
    row = next(r for r in good("library", "list", "--library", library) if r["kind"] == kind)
    file = tmp_path / f"{kind}.tar"
    good("library", "export", file, row["id"], "--library", library)
    return file


def test_a_disk_that_is_full_in_the_middle_of_an_add(made, frames, tmp_path):
    """A real small disk, where the system lets one be mounted."""
    disk = tmp_path / "disk"
    disk.mkdir()
    script = (
        'mount -t tmpfs -o size=700k none "$1" || exit 77; shift; "$@"; code=$?; '
        f'"{sys.executable}" -m coldframe.cli library list --library "{disk}/library" >&2 || exit 99; '
        "exit $code"
    )
    command = ["unshare", "-rm", "sh", "-c", script, "sh", str(disk), sys.executable, "-m",
               "coldframe.cli", "library", "add", str(frames), "--library", str(disk / "library"),
               "--workers", "1"]  # fmt: skip
    try:
        result = subprocess.run(command, capture_output=True, text=True, check=False)
    except FileNotFoundError:
        pytest.skip("no unshare here")
    if result.returncode == 77 or "unshare" in result.stderr:
        pytest.skip("no disk can be mounted here")
    assert result.returncode == 1, result.stderr
    assert "No space left on device" in result.stderr
    assert "Traceback" not in result.stderr


def test_two_adds_and_readers_at_once(made, frames, tmp_path):
    there = tmp_path / "library"
    command = [sys.executable, "-m", "coldframe.cli", "library"]
    adds = [
        subprocess.Popen(
            [*command, "add", str(frames / sub), "--library", str(there), "--json"],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for sub in ("dark", "dark", "bias")
    ]  # fmt: skip
    seen = 0
    while any(p.poll() is None for p in adds):
        if (there / "library.json").exists():
            rows = good("library", "list", "--library", there)
            assert len(rows) >= seen
            seen = len(rows)
    for process in adds:
        out, err = process.communicate()
        assert process.returncode == 0, err
        json.loads(out)
    assert len(good("library", "list", "--library", there)) == 3
    done = good("library", "check", "--library", there)
    assert done["ok"]
    for name in holds(there):
        file = Path("store") / name[:2] / name
        one, both = (read_frame(library / file) for library in (there, made[0]))
        np.testing.assert_array_equal(one.data, both.data)


def test_two_runs_at_once_from_one_library(made, tmp_path):
    lights = tmp_path / "lights"
    sim.write(lights, "light", 4, exposure=60.0, light=30.0, day=2)
    before = holds(made[0])
    command = [sys.executable, "-m", "coldframe.cli", "run", str(lights), "--library", str(made[0])]
    runs = [
        subprocess.Popen([*command, "-o", str(tmp_path / name)], stderr=subprocess.PIPE, text=True)
        for name in ("one", "two")
    ]
    for process in runs:
        _, said = process.communicate()
        assert process.returncode == 0, said
    one, two = (sorted((tmp_path / name).glob("*stack.fits")) for name in ("one", "two"))
    assert [p.read_bytes() for p in one] == [p.read_bytes() for p in two]
    assert holds(made[0]) == before


def test_a_master_may_be_removed_while_others_are_added(library, frames, tmp_path):
    row = next(r for r in good("library", "list", "--library", library) if r["kind"] == "flat")
    sim.write(tmp_path / "more", "dark", 4, exposure=30.0, day=2)
    command = [sys.executable, "-m", "coldframe.cli", "library"]
    jobs = [
        subprocess.Popen([*command, *args, "--library", str(library)], stderr=subprocess.PIPE)
        for args in (("add", str(tmp_path / "more")), ("remove", row["id"]))
    ]
    for job in jobs:
        assert job.wait() == 0, job.stderr.read()
        job.stderr.close()
    kinds = sorted(r["kind"] for r in good("library", "list", "--library", library))
    assert kinds == ["bias", "dark", "dark", "dark"]


def test_wrong_use_is_told(made, tmp_path, frames):
    for args, said in (
        (("library", "list", "--library", tmp_path / "none"), "there is no calibration library in"),
        (("library", "show", "zzz", "--library", made[0]), "has no master 'zzz'"),
        (("library", "rebuild", "--library", tmp_path / "none"), "there are no masters"),
        (("library", "add", tmp_path / "nothing", "--library", tmp_path / "n"), "nothing"),
        (
            ("run", frames, "--library", tmp_path / "none", "-o", tmp_path / "o"),
            "no calibration library",
        ),
    ):
        result = call(*args)
        assert result.returncode == 2, result.stderr
        assert said in result.stderr
        assert "Traceback" not in result.stderr
