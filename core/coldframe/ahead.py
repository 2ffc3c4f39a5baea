"""At first use, other processes compile the loops of later steps while this one compiles the first.

Numba compiles one loop at a time in a process and keeps it on disk, where other processes find it.
So as soon as this process has to compile, others go through the recipe from its end and run each
step on a few made-up frames: what they have compiled this process need not. Should they fail, it
compiles everything itself, as it would without them.
"""

from __future__ import annotations

import gc
import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from typing import Any

from coldframe.frame import Kind
from coldframe.plugins import Registry, find_plugins
from coldframe.recipe import Recipe
from coldframe.step import FrameStep, StackStep

EVENT = "numba:compile"  # is not sent for loops that come from numba's cache on disk
MOST = 3  # processes: the steps of a recipe are no more that take long to compile
ROOM = 2 << 30  # bytes of the run's memory for each: it takes a third of that itself

_helpers: list[subprocess.Popen[bytes]] = []
"""Those of this process. Theirs ends when their input does, and so with this process."""


@dataclass(frozen=True, slots=True)
class Job:
    """A step and the frames that have its loops compiled. cfa, colour : as `sample_frames`."""

    use: str
    params: dict[str, Any]
    kind: str
    cfa: str | None = None
    colour: bool = False
    masters: tuple[str, ...] = ()


@contextmanager
def compiling_ahead(
    recipe: Recipe, registry: Registry, cfa: str | None, workers: int, memory: int
) -> Iterator[None]:
    """Have other processes compile once this one does, in the time that this is entered.

    cfa : of a light, None without one. workers : processes in all, this one with them.
    memory : bytes that the run may take.
    """
    count = min(workers - 1, MOST, memory // ROOM)
    if count < 1 or _helpers:
        yield
        return
    from numba.core import event

    jobs = jobs_of(recipe, registry, cfa)
    lock = threading.Lock()

    class Listener(event.Listener):
        def on_start(self, _event: Any) -> None:
            with lock, suppress(OSError):  # no more processes may be started
                if not _helpers:
                    gc.freeze()  # compiling makes garbage: what lives is not looked through again
                    _helpers.extend(_start(jobs[k::count]) for k in range(count))

        def on_end(self, _event: Any) -> None:
            pass

    with event.install_listener(EVENT, Listener()):
        yield


def jobs_of(recipe: Recipe, registry: Registry, cfa: str | None) -> list[Job]:
    """What has every loop of the recipe compiled, each only once, what is needed last coming first.

    Stacks come after all others: the first of them, of calibration frames, is made early on with
    the loops that all of them share.
    """
    kinds = {name: spec.kind.value for name, spec in recipe.inputs.items()}
    colour = dict.fromkeys(recipe.inputs, False)
    jobs: list[Job] = []
    for step in recipe.steps.values():
        source = step.sources[0]
        maker = registry.steps[step.use]
        kinds[step.id] = kinds[source]
        colour[step.id] = colour[source] or (
            cfa is not None and issubclass(maker, FrameStep) and maker.makes_colour
        )
        job = Job(
            use=step.use,
            params=dict(step.params),
            kind=kinds[source],
            cfa=None if colour[source] else cfa,
            colour=colour[source],
            masters=tuple(sorted({kinds[name] for name in step.masters})),
        )
        if job not in jobs:
            jobs.append(job)
    jobs.reverse()
    return sorted(jobs, key=lambda job: issubclass(registry.steps[job.use], StackStep))


def run_job(job: Job, registry: Registry) -> None:
    """Run the step as the engine would, on frames of the sizes and types that it would get."""
    from coldframe.testing import run_step, sample_frames, sample_master

    # Of three frames and fewer nothing is rejected, and that needs fewer loops.
    frames = sample_frames(5, kind=Kind(job.kind), cfa=job.cfa, colour=job.colour)
    masters = {kind: sample_master(kind, frames[0]) for kind in job.masters}
    run_step(registry.steps[job.use], frames, masters=masters, params=job.params)


def _start(jobs: Sequence[Job]) -> subprocess.Popen[bytes]:
    quiet = subprocess.DEVNULL
    helper = subprocess.Popen(
        [sys.executable, "-m", __name__], stdin=subprocess.PIPE, stdout=quiet, stderr=quiet
    )
    assert helper.stdin is not None
    with suppress(OSError):  # it is gone already
        helper.stdin.write(json.dumps([asdict(job) for job in jobs]).encode() + b"\n")
        helper.stdin.flush()
    return helper


def _compile(jobs: Sequence[Job]) -> None:
    registry = find_plugins()
    for job in jobs:
        with suppress(Exception):  # a stranger's step may fail in any way; the run will tell
            run_job(job, registry)


def main() -> None:
    """The life of such a process: jobs in by one line; it ends with them, or with its parent."""
    jobs = [Job(**{**job, "masters": tuple(job["masters"])}) for job in json.loads(input())]
    gc.disable()  # it takes a tenth of the time, and the process does not live long
    # The C library returns memory less often for threads other than the first: that alone takes a
    # tenth of the time of compiling.
    work = threading.Thread(target=_compile, args=(jobs,), daemon=True)
    work.start()

    def end() -> None:
        work.join()
        os._exit(0)

    threading.Thread(target=end, daemon=True).start()
    sys.stdin.read()
    os._exit(1)


if __name__ == "__main__":
    main()
