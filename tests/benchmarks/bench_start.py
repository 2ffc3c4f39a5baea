"""How long a person waits before anything happens: the command line, and the first run's compiling."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from functools import partial
from typing import Any

from tests.benchmarks.harness import Case

PROGRAM = "import sys; from coldframe.cli.main import main; sys.exit(main())"


def command(*words: str) -> str:
    """What a new process of ours prints."""
    run = [sys.executable, "-c", PROGRAM, *words]
    return subprocess.run(run, check=True, capture_output=True, text=True).stdout


def compiling() -> float:
    """Processor seconds of compiling in a first run."""
    with tempfile.TemporaryDirectory() as cache:
        done = subprocess.run(
            [sys.executable, "-m", "tests.benchmarks.compiling"],
            check=True,
            capture_output=True,
            text=True,
            env={**os.environ, "NUMBA_CACHE_DIR": cache},
        )
    return float(done.stdout.split()[-1])


def says(part: str, text: str, _: Any) -> str:
    assert part in text
    return f"its text has '{part}'"


def cases(quick: bool) -> Iterator[Case]:
    for words, part in ((("--help",), "Commands"), (("recipe", "list"), "camera-lens")):
        name = f"coldframe {' '.join(words)}"
        yield Case(name, partial(command, *words), None, partial(says, part), 0.25)
    if not quick:
        yield Case(
            "first use: compiling, tiny night",
            compiling,
            None,
            lambda seconds, _: f"{seconds:.1f} s of processor time in all",
            20.0,
            rounds=1,
            warm=False,
            clock=float,
        )
