"""Rules about sameness: a step is a pure function of its inputs, wherever and however often."""

from __future__ import annotations

import os
import pickle
import random
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from coldframe.frame import Frame
from coldframe.step import StackStep
from coldframe.testing.running import Result, frame_digest
from coldframe.testing.trial import Trial

THREADS = 3


def pure(trial: Trial) -> None:
    """Frames, masters and parameters stay as they are; nothing global is used or left behind."""
    given = {f.info.label: f for f in trial.frames}
    given |= {f"the master {kind}": frame for kind, frame in trial.masters.items()}
    before = {name: frame_digest(frame) for name, frame in given.items()}
    params, kept = repr(sorted(trial.params.items())), _class_state(trial)
    dice = _dice()
    step = trial.step()
    own = repr(vars(step))
    trial.run(step=step)
    for name, frame in given.items():
        assert frame_digest(frame) == before[name], f"it changed its input {name}; work on a copy"
    assert repr(sorted(trial.params.items())) == params, "it changed its parameters"
    assert repr(vars(step)) == own, "it keeps something on itself between calls"
    assert _class_state(trial) == kept, "it keeps something on its class between calls"
    assert _dice() == dice, "it drew from a global random generator; use ctx.rng"


def repeatable(trial: Trial) -> None:
    """The same frames give the same bytes again, also after other frames went through."""
    step = trial.step()
    trial.run([brighter_frame(frame) for frame in reversed(trial.frames)], step=step)
    _same(trial, trial.run(step=step), "the second time, after other frames,")


def processes(trial: Trial) -> None:
    """Another process, with another seed of Python's hashes, gives the same bytes.

    The frames go through in another order of calls there, so that what a step remembers shows.
    """
    brighter = trial.run([brighter_frame(frame) for frame in trial.frames]).digest()
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "trial.pickle"
        file.write_bytes(pickle.dumps(_portable(trial)))
        env = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
        env["PYTHONHASHSEED"] = "4711"
        done = subprocess.run(
            [sys.executable, "-m", "coldframe.testing.again", str(file)],
            capture_output=True, text=True, env=env, check=False,
        )  # fmt: skip
    assert done.returncode == 0, f"another process cannot run it: {done.stderr[-2000:]}"
    assert done.stdout.split() == [brighter, trial.baseline.digest()], (
        "another process, where other frames went before, gives other bytes"
    )


def threads(trial: Trial) -> None:
    """Several threads at once, on the same frames, give the same bytes."""
    step = trial.step()
    with ThreadPoolExecutor(THREADS) as pool:
        jobs = [pool.submit(trial.run, step=step) for _ in range(THREADS)]
        for job in jobs:
            _same(trial, job.result(), "in several threads at once")


def tiles(trial: Trial) -> None:
    """A stack is the same however its rows are cut into bands."""
    if not issubclass(trial.step, StackStep):
        return
    height = trial.frames[0].shape[0]
    for bands in (2, 3, 7, height):
        other = trial.run(bands=bands)
        for one, two in zip(trial.baseline.made, other.made, strict=True):
            for name in ("data", "flags", *one.planes):
                a, b = _plane(one, name), _plane(two, name)
                if not np.array_equal(a, b):
                    rows = sorted({int(row) for row in np.argwhere(a != b)[:, -2]})
                    raise AssertionError(
                        f"plane '{name}' changes with the cut into {bands} bands, at rows "
                        f"{rows[:5]}; does halo_rows ask for enough rows?"
                    )
        _same(trial, other, f"cut into {bands} bands")


def order(trial: Trial) -> None:
    """Where the author claims it: frames in another order give the same, but for rounding."""
    if not trial.any_order:
        return
    other = trial.run(list(reversed(trial.frames)))
    made = other.made if issubclass(trial.step, StackStep) else other.made[::-1]
    for one, two in zip(trial.baseline.made, made, strict=True):
        assert np.allclose(one.data, two.data, rtol=1e-5, atol=1e-3), (
            "frames in another order give other pixels"
        )


def _same(trial: Trial, other: Result, when: str) -> None:
    if other.digest() == trial.baseline.digest():
        return
    for one, two in zip(trial.baseline.made, other.made, strict=False):
        for name in ("data", "flags", *one.planes):
            count = int(np.count_nonzero(_plane(one, name) != _plane(two, name)))
            assert not count, f"{when} {count} pixels of '{name}' are others"
    raise AssertionError(f"{when} the numbers, reasons or history are others")


def _plane(frame: Frame, name: str) -> Any:
    return {"data": frame.data, "flags": frame.flags, **frame.planes}[name]


def brighter_frame(frame: Frame) -> Frame:
    """Another frame of the same name."""
    return frame.with_pixels(frame.data + np.float32(37))


def _class_state(trial: Trial) -> Mapping[str, str]:
    mine = [c for c in trial.step.__mro__ if c.__module__.partition(".")[0] != "abc"]
    return {
        f"{owner.__name__}.{name}": repr(value)
        for owner in mine
        for name, value in vars(owner).items()
        if not name.startswith(("__", "_abc_"))
    }


def _portable(trial: Trial) -> Trial:
    return replace(trial, frames=tuple(trial.frames), masters=dict(trial.masters))


def _dice() -> tuple[Any, ...]:
    """The state of both global random generators."""
    name, numbers, *rest = np.random.get_state()
    return (name, np.asarray(numbers).tobytes(), *rest, random.getstate())
