"""A watched night: frames come in byte by byte, the end is the batch run's, whatever happens."""

import json
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path
from types import SimpleNamespace

import pytest

from coldframe.cli.main import run_command_line
from coldframe.cli.options import make_request
from coldframe.execute import pending
from coldframe.plugins import find_plugins
from coldframe.watching import follow as module
from coldframe.watching.follow import Follow
from coldframe.watching.picture import load


def frames(night):
    """Calibration frames first, then lights in order: what a photographer with masters does."""
    return sorted(night.rglob("*.DNG"), key=lambda p: (11 <= int(p.stem[-4:]) <= 17, p.name))


def copy_in_pieces(shot, night, there, pause=0.05):
    """As a slow card or network does: the file is there long before it is whole."""
    target = there / shot.relative_to(night)
    target.parent.mkdir(parents=True, exist_ok=True)
    data = shot.read_bytes()
    with target.open("wb") as file:
        for start in range(0, len(data), len(data) // 3):
            file.write(data[start : start + len(data) // 3])
            file.flush()
            time.sleep(pause)


def begin(there, night):
    there.mkdir()
    shutil.copy(night / "notes.yaml", there)


def products(output):
    return {
        p.name: p.read_bytes() for p in output.iterdir() if p.suffix in (".fits", ".tiff", ".png")
    }


def arguments(there, output, *more):
    return ["watch", str(there), "-o", str(output), "--no-library", "--settle", "0.4", *more]


def test_the_night_ends_as_the_batch_run_and_each_frame_is_done_once(
    tiny_run, tmp_path, monkeypatch, capsys
):
    night, output = tiny_run
    there = tmp_path / "night"
    begin(there, night)
    shots = frames(night)
    for shot in shots[:-7]:
        copy_in_pieces(shot, night, there, 0)
    made = []
    real = module.run_plan
    monkeypatch.setattr(
        module,
        "run_plan",
        lambda plan, tasks, **k: made.append(list(tasks)) or real(plan, tasks, **k),
    )
    monkeypatch.setattr("coldframe.cli.watch.POLL", 0.1)

    def shoot():
        for shot in shots[-7:]:
            copy_in_pieces(shot, night, there, 0.25)

    camera = threading.Thread(target=shoot)
    camera.start()
    assert run_command_line(arguments(there, tmp_path / "out", "--idle", "0.04", "--json")) == 0
    camera.join()
    events = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert products(tmp_path / "out") == products(output)
    done = [key for tasks in made for key in tasks]
    assert len(done) == len(set(done)), "a frame was done again for a later one"
    depths = [event["frames"] for event in events if event["event"] == "stack"]
    assert depths == sorted(depths)
    assert depths[-1] == 5
    lights = [event for event in events if event["event"] == "light"]
    reasons = {event["frame"][-8:]: event["reason"] for event in lights if not event["used"]}
    assert set(reasons) == {"0014.DNG", "0017.DNG"}  # the night's own bad ones
    assert all("cloud" in why or "blurred" in why for why in reasons.values())
    assert not [event for event in events if event["event"] == "set aside"]
    assert events[0]["url"].startswith("http://127.0.0.1:")
    assert [event["event"] for event in events[1:3]] == ["safety", "safety"]
    assert events[-1]["event"] == "done"
    # The manifest and the store are those of a run: nothing is left to do.
    manifest = json.loads((tmp_path / "out" / "coldframe-run.json").read_text())
    assert manifest["state"] == "done"


def test_a_watch_that_is_killed_goes_on_and_ends_the_same(tiny_run, tmp_path, capsys):
    night, output = tiny_run
    there, out = tmp_path / "night", tmp_path / "out"
    begin(there, night)
    shots = frames(night)
    for shot in shots[:-3]:
        copy_in_pieces(shot, night, there, 0)
    half = there / shots[-3].relative_to(night)
    half.write_bytes(shots[-3].read_bytes()[:30000])
    command = [sys.executable, "-m", "coldframe.cli", *arguments(there, out, "--json")]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    for line in process.stdout:
        event = json.loads(line)
        if event["event"] == "stack" and event["frames"] >= 1:
            break
    process.kill()
    process.communicate()
    assert json.loads((out / "coldframe-run.json").read_text())["state"] == "watching"
    for shot in shots[-3:]:
        shutil.copy(shot, there / shot.relative_to(night))
    capsys.readouterr()
    assert run_command_line(arguments(there, out, "--idle", "0", "--no-page", "--json")) == 0
    events = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [event["frames"] for event in events if event["event"] == "stack"][-1] == 5
    assert products(out) == products(output)


def test_ctrl_c_keeps_the_picture_and_tells_how_to_go_on(tiny_run, tmp_path, monkeypatch, capsys):
    night, _ = tiny_run
    there, out = tmp_path / "night", tmp_path / "out"
    begin(there, night)
    copy_in_pieces(frames(night)[-7], night, there, 0)

    def sleep(_seconds):
        if list(out.glob("store/*/*.fits")):
            raise KeyboardInterrupt
        time.sleep(0.2)

    monkeypatch.setattr("coldframe.cli.watch.time", SimpleNamespace(sleep=sleep))
    assert run_command_line(arguments(there, out)) == 130
    said = capsys.readouterr().err
    assert "1 frame" in said
    assert "stopped. Finished work is kept: the same command goes on" in said
    (file,) = (out / "store/watch").glob("*.fits")
    assert len(load(file).frames) == 1


class Clock:
    """Time that goes on by a minute at each look."""

    time = 0.0

    def __call__(self):
        return self.time


@pytest.fixture
def follow(tiny_run, tmp_path):
    """A night that is looked at by hand, with the recipe that wants masters."""
    night, _ = tiny_run
    there = tmp_path / "night"
    begin(there, night)
    clock = Clock()

    def make(**more):
        asked = {
            "nights": (there,), "recipe": "camera-lens", "overrides": (), "output": tmp_path / "out",
            "store": None, "workers": 2, "memory": 1 << 30, "no_library": True, **more,
        }  # fmt: skip
        return Follow(make_request(**asked), find_plugins(), settle=3, refresh=1, clock=clock)

    def look(following, *shots):
        for shot in shots:
            copy_in_pieces(shot, night, there, 0)
        for _ in range(2):
            clock.time += 60
            following.look()
        return following.snapshot

    return make, look, frames(night)


def test_lights_before_any_master_are_shown_without_and_told(follow, monkeypatch):
    from coldframe_steps.combine.step import Combine

    monkeypatch.setattr(Combine, "min_frames", 3)
    make, look, shots = follow
    following = make()
    lights, darks = shots[-7:], [s for s in shots if 1 <= int(s.stem[-4:]) <= 4]
    first = look(following, *lights[:2])
    assert (first.stacks[0].frames, first.stacks[0].uncalibrated) == (2, 2)
    assert 1.1 < first.stacks[0].improvement < 1.9  # the root of 2, and some from resampling
    # One dark alone makes no master: the lights do not wait for the others.
    second = look(following, darks[0], lights[2])
    assert (second.stacks[0].frames, second.stacks[0].uncalibrated) == (3, 3)
    assert any("without masters" in note for note in second.notes)
    third = look(following, *darks[1:], lights[4])
    assert (third.stacks[0].frames, third.stacks[0].uncalibrated) == (4, 3)
    assert following.previews[third.stacks[0].label].startswith(b"\x89PNG")


def test_only_darks_so_far_is_no_fault(follow):
    make, look, shots = follow
    seen = look(make(), shots[0])
    assert seen.stacks == ()
    assert seen.notes[0].startswith("nothing to stack yet")


def test_a_stopped_watch_goes_on_with_its_picture(follow, tmp_path, monkeypatch):
    make, look, shots = follow
    first = make()
    before = look(first, *shots[-7:-4])
    first.save()
    made = []
    real = module.run_plan
    monkeypatch.setattr(
        module,
        "run_plan",
        lambda plan, tasks, **k: made.append(list(tasks)) or real(plan, tasks, **k),
    )
    second = make()
    second.look()
    assert second.snapshot.stacks[0].frames == before.stacks[0].frames == 3
    look(second)
    assert made == []  # nothing was made anew
    after = look(second, shots[-3])
    assert after.stacks[0].frames == 4
    assert [len(tasks) for tasks in made] == [1]
    (file,) = (tmp_path / "out/store/watch").glob("*.fits")
    assert len(load(file).frames) == 4  # kept every minute, not only at the end


def test_a_light_that_is_replaced_leaves_the_picture(follow):
    make, look, shots = follow
    following = make()
    look(following, *shots[-7:-4])
    there = following._request.nights[0]
    lights = sorted(there.rglob("*.DNG"))
    lights[0].unlink()
    seen = look(following, shots[-3])
    assert seen.stacks[0].frames == 3


def test_a_file_that_comes_between_look_and_plan_is_not_touched(follow, monkeypatch):
    make, look, shots = follow
    following = make()
    there = following._request.nights[0]
    real = module.prepare

    def plan(request, registry):
        (there / "late.DNG").write_bytes(shots[-6].read_bytes()[:30000])
        return real(request, registry)

    monkeypatch.setattr(module, "prepare", plan)
    seen = look(following, shots[-7])
    assert seen.stacks[0].frames == 1
    assert seen.aside == {}
    assert look(following).waiting["late.DNG"].startswith("is truncated")


def test_the_wanted_reference_is_waited_for(follow):
    make, look, shots = follow
    following = make(overrides=(f"aligned.reference={shots[-5].name}",))
    first = look(following, *shots[-7:-5])
    assert first.stacks == ()
    assert all("is not among" in shown.reason for shown in first.lights)
    assert look(following, shots[-5]).stacks[0].frames == 3


def test_an_unchanged_night_is_not_looked_into_again(follow, monkeypatch):
    make, look, shots = follow
    following = make()
    look(following, shots[-7])
    monkeypatch.setattr(module, "prepare", lambda *_: pytest.fail("planned without need"))
    look(following)
    assert following.over(idle=60)
    assert not following.over(idle=600)


def test_the_plan_of_the_run_afterwards_has_no_frame_left_to_calibrate(follow):
    from coldframe.session import prepare
    from coldframe.specs import FrameTask

    make, look, shots = follow
    following = make()
    look(following, *shots[-7:-4])
    plan = prepare(following._request, find_plugins()).plan
    left = [spec for spec, _ in pending(plan).values() if isinstance(spec, FrameTask)]
    assert {spec.step_id for spec in left} == {"aligned", "final"}


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["watch", "nowhere"], "there is no folder nowhere"),
        (["watch", ".", ".."], "watch follows one folder"),
        (["watch", ".", "-o", "."], "the night's own folder"),
        (["watch", ".", "--until", "25:99"], "is no time such as 05:30"),
    ],
)
def test_wrong_use_is_told(args, said, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert run_command_line(args) == 2
    text = capsys.readouterr().err
    assert said in text
    assert not list(Path(tmp_path).iterdir())


def test_times_of_day_are_the_next_ones():
    from datetime import datetime, timedelta

    from coldframe.cli.watch import Moment

    now = datetime.now()
    for hours in (1, 23):
        wanted = (now + timedelta(hours=hours)).replace(second=0, microsecond=0)
        assert Moment().convert(f"{wanted:%H:%M}", None, None) == wanted
    assert Moment().convert("2026-03-15T05:30", None, None) == datetime(2026, 3, 15, 5, 30)
