"""Loops compiled ahead, by other processes, are those that the run needs."""

from __future__ import annotations

import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from coldframe import ahead
from coldframe.plugins import find_plugins
from coldframe.recipe import load_recipe
from coldframe.recipe_document import find_recipe

NEW_LOOPS = """
    import sys
    from numba.core.dispatcher import Dispatcher
    from coldframe import ahead
    from coldframe.cli.main import main
    from coldframe.plugins import find_plugins
    from coldframe.recipe import load_recipe
    from coldframe.recipe_document import find_recipe

    def kinds():
        return {
            (name, thing.__name__, str(signature))
            for name, module in list(sys.modules.items())
            if name.startswith("coldframe_steps.")
            for thing in vars(module).values()
            if isinstance(thing, Dispatcher)
            for signature in thing.signatures
        }

    recipe, cfa, night, out = sys.argv[1:]
    registry = find_plugins()
    for job in ahead.jobs_of(load_recipe(find_recipe(recipe), registry), registry, cfa or None):
        ahead.run_job(job, registry)
    before = kinds()
    sys.argv = ["coldframe", "run", night, "-o", out, "--no-library", "--recipe", recipe]
    try:
        main()
    finally:
        print(len(before), sorted(kinds() - before))
"""


@pytest.mark.parametrize(
    ("kind", "recipe", "cfa"), [("colour", "camera-lens", "RGGB"), ("mono", "cooled-mono", "")]
)
def test_a_run_needs_no_other_loops(tmp_path: Path, kind: str, recipe: str, cfa: str) -> None:
    night = tmp_path / "night"
    make = ["demo", str(night), "--size", "tiny", "--kind", kind, "--only-make"]
    subprocess.run([sys.executable, "-m", "coldframe.cli", *make], check=True)
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(NEW_LOOPS), recipe, cfa, night, tmp_path / "out"],
        check=True,
        capture_output=True,
        text=True,
    )
    count, new = done.stdout.splitlines()[-1].split(maxsplit=1)
    assert int(count) > 20
    assert new == "[]"


def test_what_is_needed_last_comes_first_and_stacks_come_after_it() -> None:
    registry = find_plugins()
    recipe = load_recipe(find_recipe("camera-lens"), registry)
    jobs = ahead.jobs_of(recipe, registry, "RGGB")
    assert [job.use for job in jobs][:3] == ["background-fit", "register", "calibrate"]
    # Registering makes colours of the mosaic.
    assert [(job.cfa, job.colour) for job in jobs[:2]] == [(None, True), ("RGGB", False)]
    assert jobs[2].masters == ("bias", "dark", "flat")
    stacks = [job.use for job in jobs if job.use in ("integrate", "combine")]
    assert stacks == [job.use for job in jobs][-len(stacks) :]
    assert not any(job.colour for job in ahead.jobs_of(recipe, registry, None))


@pytest.mark.parametrize(
    ("workers", "memory", "count"), [(1, 64 << 30, 0), (2, 64 << 30, 1), (16, 5 << 30, 2)]
)
def test_helpers_start_once_with_the_first_loop(
    monkeypatch: pytest.MonkeyPatch, workers: int, memory: int, count: int
) -> None:
    from numba import njit

    started: list[list[str]] = []
    monkeypatch.setattr(ahead, "_helpers", [])
    monkeypatch.setattr(ahead, "_start", lambda jobs: started.append([job.use for job in jobs]))
    registry = find_plugins()
    recipe = load_recipe(find_recipe("camera-lens"), registry)
    everything = [job.use for job in ahead.jobs_of(recipe, registry, "RGGB")]
    with ahead.compiling_ahead(recipe, registry, "RGGB", workers, memory):
        assert started == []
        assert njit(lambda x: x + 1)(1) == 2
        assert njit(lambda x: x + 2)(1) == 3
    assert njit(lambda x: x + 3)(1) == 4
    assert len(started) == count
    assert sorted(use for uses in started for use in uses) == (sorted(everything) if count else [])


def test_a_helper_ends_with_its_work_or_with_its_parent() -> None:
    helper = [sys.executable, "-m", "coldframe.ahead"]
    with subprocess.Popen(helper, stdin=subprocess.PIPE) as done:
        assert done.stdin is not None
        done.stdin.write(b"[]\n")
        done.stdin.flush()
        assert done.wait(60) == 0
    # Its input ends with the process that gave it.
    work = b'[{"use": "integrate", "params": {}, "kind": "light", "masters": []}]\n'
    assert subprocess.run(helper, input=work, timeout=60).returncode == 1
