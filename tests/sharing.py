"""Folders that are made once for a whole test run, whichever of its worker processes asks first.

A night or a run costs seconds, and every test file works in one of several processes: a fixture of
a module or session makes it again in each. What is made through `Shared` is there for all. It is
read only: who changes it fails. To spoil a frame, copy the folder first.

    def test_my_rule(demo_run):
        done = demo_run("mono", "--with", "stack.reject=none")    # made by the first test to ask
        assert done.summary["used"] == 12

    @pytest.fixture
    def my_night(made_once):                                     # a night of one's own making
        return made_once("three lights without a flat", write_my_night)
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import io
import json
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from coldframe.cli.main import run_command_line
from coldframe.demo.night import make_night
from coldframe.demo.truth import Truth, load_truth, truth_path


def typed(*words: object) -> subprocess.CompletedProcess[str]:
    """A command of coldframe with what it says, in this process: starting one takes a second."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = run_command_line([str(word) for word in words])
    return subprocess.CompletedProcess(words, code, out.getvalue(), err.getvalue())


class Shared:
    """Folders below `root`, which all processes of a test run have in common."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self._used: set[str] = set()
        root.mkdir(exist_ok=True)

    def made_once(self, name: str, make: Callable[[Path], object]) -> Path:
        """The folder of that name; `make` is called with its path, which is not there yet.

        The name stands for all that `make` depends on. Others who want it wait meanwhile.
        """
        folder = self.root / name
        with (self.root / f"{name}.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not self._listing(name).exists():
                shutil.rmtree(folder, ignore_errors=True)  # of one who failed
                make(folder)
                self._listing(name).write_text(json.dumps(_times(folder)))
        self._used.add(name)
        return folder

    def check(self) -> None:
        """Raises AssertionError that names the files that a test of this process changed."""
        for name in sorted(self._used):
            before = json.loads(self._listing(name).read_text())
            after = _times(self.root / name)
            changed = [p for p in {**before, **after} if before.get(p) != after.get(p)]
            assert not changed, f"tests changed the shared folder '{name}': {changed}"

    def _listing(self, name: str) -> Path:
        return self.root / f"{name}.json"


def _times(folder: Path) -> dict[str, int]:
    files = (p for p in sorted(folder.rglob("*")) if p.is_file())
    return {str(p.relative_to(folder)): p.stat().st_mtime_ns for p in files}


@dataclass(frozen=True)
class DemoNight:
    """A night of the demo, and the truth about it."""

    folder: Path
    truth: Truth


@dataclass(frozen=True)
class DemoRun:
    """What `coldframe run --json` made of a night of the demo, and said."""

    night: Path
    truth: Truth
    output: Path
    summary: dict[str, Any]
    said: str


def shared_night(
    shared: Shared, kind: str = "colour", seed: int = 3, size: str = "tiny"
) -> DemoNight:
    """The demo's night of this kind ("colour" or "mono")."""
    folder = shared.made_once(
        f"{kind}-{size}-{seed}", lambda at: make_night(at / "night", size, seed, kind)
    )
    return DemoNight(folder / "night", load_truth(truth_path(folder / "night")))


def shared_run(
    shared: Shared, kind: str = "colour", *options: str, seed: int = 3, size: str = "tiny"
) -> DemoRun:
    """A run of such a night without a library, with further options."""
    night = shared_night(shared, kind, seed, size)
    words = ("run", night.folder, "--no-library", "--json", *options)

    def make(folder: Path) -> None:
        done = typed(*words, "-o", folder / "out")
        assert done.returncode == 0, done.stderr
        (folder / "summary.json").write_text(done.stdout)
        (folder / "said.txt").write_text(done.stderr)

    digest = hashlib.blake2b("\0".join(map(str, words)).encode(), digest_size=6).hexdigest()
    at = shared.made_once(f"{kind}-{size}-{seed}-run-{digest}", make)
    summary = json.loads((at / "summary.json").read_text())
    return DemoRun(night.folder, night.truth, at / "out", summary, (at / "said.txt").read_text())
