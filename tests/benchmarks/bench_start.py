"""How long a person waits before anything happens: the command line, and the first run's compiling."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

from tests.benchmarks.harness import Case

PROGRAM = "import sys; from coldframe.cli.main import main; sys.exit(main())"


def command(*words: str) -> str:
    """What a new process of ours prints."""
    run = [sys.executable, "-c", PROGRAM, *words]
    return subprocess.run(run, check=True, capture_output=True, text=True).stdout


def compiling() -> float:
    """Seconds by which a first run takes longer than a second one."""
    with tempfile.TemporaryDirectory() as folder:
        first, second = (_tiny_night(Path(folder), name) for name in ("first", "second"))
    return first - second


def _tiny_night(folder: Path, name: str) -> float:
    """Seconds for the main job on a small invented night: compiled loops are kept in the folder."""
    caches = {"NUMBA_CACHE_DIR": str(folder), "XDG_CACHE_HOME": str(folder / "known" / name)}
    words = [sys.executable, "-c", PROGRAM, "demo", str(folder / name), "--size", "tiny"]
    began = time.perf_counter()
    subprocess.run(words, check=True, capture_output=True, env={**os.environ, **caches})
    return time.perf_counter() - began


def says(part: str, text: str, _: Any) -> str:
    assert part in text
    return f"its text has '{part}'"


def cases(quick: bool) -> Iterator[Case]:
    for words, part in ((("--help",), "Commands"), (("recipe", "list"), "camera-lens")):
        name = f"coldframe {' '.join(words)}"
        yield Case(name, partial(command, *words), None, partial(says, part), 0.25)
    if not quick:
        yield Case(
            "first use: beside a second run",
            compiling,
            None,
            lambda seconds, _: "of 'coldframe demo --size tiny', by the clock",
            20.0,
            rounds=1,
            warm=False,
            clock=float,
        )
