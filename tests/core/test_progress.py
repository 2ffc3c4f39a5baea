"""Progress: rates, time left, compiling, and how it degrades without a terminal."""

import threading
from dataclasses import replace
from types import SimpleNamespace

import numba
import pytest

from coldframe.cli import progress as module
from coldframe.cli.compiling import Compiling
from coldframe.cli.progress import Progress
from coldframe.frame import FrameInfo
from coldframe.specs import FrameTask
from coldframe.store import Ref
from coldframe.timing import StepTime


@pytest.fixture
def clock(monkeypatch):
    now = SimpleNamespace(time=1000.0)
    monkeypatch.setattr(module.time, "monotonic", lambda: now.time)
    return now


def task(number, step="clean"):
    info = FrameInfo(path=f"{number}.fits", shape=(1000, 2000))
    return FrameTask("", f"{step}{number}", step, "", info, "", (), ())


def prepared(tasks):
    recipe = SimpleNamespace(inputs=["lights"], steps=["clean"])
    return SimpleNamespace(
        recipe=recipe,
        plan=SimpleNamespace(tasks={}),
        tasks={t.key: (t, ()) for t in tasks},
        rates={"read": 0.5},
    )


def test_rates_and_time_left_by_the_clock(clock, capsys):
    tasks = [task(i) for i in range(10)]
    with Progress(prepared(tasks)) as progress:
        for one in tasks[:5]:
            progress(one, None)
            clock.time += 2  # 2 Mpx in 2 s
            progress(one, Ref(one.key, seconds=2.0))
        assert progress.left() == "10 s left"
        for one in tasks[5:]:
            progress(one, None)
            clock.time += 2
            progress(one, Ref(one.key, seconds=2.0))
    lines = capsys.readouterr().err.splitlines()
    assert lines[-1] == "clean: 10 of 10 tasks (10 of 10 in all) 1 Mpx/s, 0 s left"
    assert not any("\x1b" in line for line in lines)


def test_frames_set_aside_are_said_at_once(clock, capsys):
    with Progress(prepared([task(1)])) as progress:
        progress(task(1), Ref("clean1", aside="cloud", info=FrameInfo(path="1.fits")))
    assert "set aside 1.fits: cloud" in capsys.readouterr().err


def test_a_terminal_gets_bars_and_no_color_is_heeded(clock, monkeypatch, capsys):
    for name, value in (("FORCE_COLOR", "1"), ("TERM", "xterm"), ("NO_COLOR", "1")):
        monkeypatch.setenv(name, value)
    with Progress(prepared([task(1)])) as progress:
        assert progress.bars is not None
        progress(task(1), Ref("clean1", seconds=1.0))
    said = capsys.readouterr().err
    assert "1/1" in said
    assert not any(f"\x1b[{colour}m" in said for colour in range(30, 48))
    monkeypatch.setenv("TERM", "dumb")
    with Progress(prepared([task(1)])) as progress:
        assert progress.bars is None


def test_compiling_is_seen_once_and_its_time_counted():
    said = []
    with Compiling(said.append) as compiling:

        @numba.njit
        def inner(x):
            return x + 1

        @numba.njit
        def outer(x):
            return inner(x) * 2

        threads = [threading.Thread(target=outer, args=(n,)) for n in (3, 3.0)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert compiling.loops >= 4
        seconds = compiling.seconds
        assert seconds > 0
        outer(4)
        assert compiling.seconds == seconds
    assert said[0] is True
    assert said[-1] is False
    assert said.count(True) == said.count(False)


def test_the_first_compilation_is_announced(capsys):
    with Progress(prepared([task(1)])) as progress:

        @numba.njit
        def loop(x):
            return x - 1

        loop(2)
        assert progress.compiling.loops == 1
    assert capsys.readouterr().err.count("compiling loops, first use only") == 1


def test_rates_in_words_and_numbers():
    time = StepTime().plus(2.0, 12.0, True).plus(4.0, 12.0, True)
    assert time.rate(3.0) == "8 Mpx/s"
    assert time.rate(0.0) == ""
    assert StepTime().plus(1.0, 0.0, False).rate(2.0) == "0.5 a second"
    told = time.to_dict()
    assert (told["tasks"], told["frames"]) == (2, 2)
    assert told["megapixels_per_second"] == 4.0
    assert told["frames_per_second"] == pytest.approx(0.333)
    assert StepTime(1).to_dict()["megapixels_per_second"] is None


def test_frames_that_are_there_and_only_looked_at_are_called_so(monkeypatch, capsys):
    here = replace(task(1), looks=("a look",))
    monkeypatch.setattr(module, "Store", lambda _: SimpleNamespace(get={here.key: "made"}.get))
    with Progress(prepared([here, task(2)])) as progress:
        assert progress.totals == {"looking at frames": 1, "clean": 1}
        progress(here, Ref(here.key, seconds=1.0))
    assert "looking at frames: 1 of 1 tasks" in capsys.readouterr().err
