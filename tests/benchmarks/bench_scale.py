"""The simulation of scale against real runs.

    python -m tests.benchmarks.bench_scale [tiny|small]

An invented night is run with one worker; what each kind of task took is handed to the simulation.
Then the same plan is run by the same code with tasks that sleep as long as they took (so that
neither a busy machine nor few cores matter), with 1 to 16 workers, and at last in earnest with one
and two workers, which needs two cores with nothing else to do. Also prints what goes by the number
of frames: opening a stored frame, and deciding about it.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path

from coldframe import execute
from coldframe.demo.night import make_night
from coldframe.plugins import find_plugins
from coldframe.prepared import Prepared, Request
from coldframe.scale.simulate import Job, Machine, simulate
from coldframe.session import prepare, run
from coldframe.store import Ref, Store

Times = dict[tuple[str, str], list[float]]
OVERHEAD = 0.0005  # s a task, of dask's walk over the graph in threads
SLOW = 0.2  # share of the time that a sleeping task sleeps


def timed(night: Path, out: Path, workers: int) -> tuple[Prepared, Times, float]:
    """A run into a new store: its plan, seconds by kind of task and step, and in all."""
    registry = find_plugins()
    request = Request(
        (night,), out, out / "store", workers=workers, use_library=False, inspect=False
    )
    prepared = prepare(request, registry)
    times: Times = defaultdict(list)
    ends = [time.perf_counter()]

    def watch(spec, ref):
        if ref is not None:
            times[type(spec).__name__, spec.step_id].append(ref.seconds)
            ends.append(time.perf_counter())

    ends[0] = time.perf_counter()
    run(prepared, registry, watch)
    return prepared, times, ends[-1] - ends[0]


def job_of(prepared: Prepared, times: Times, share: float = 1.0) -> Job:
    mean = {kind: share * sum(taken) / len(taken) for kind, taken in times.items()}
    tasks = prepared.plan.tasks
    places = {key: place for place, key in enumerate(tasks)}
    seconds = [mean[type(spec).__name__, spec.step_id] for spec, _ in tasks.values()]
    needs = [[places[n] for n in needed] for _, needed in tasks.values()]
    nothing = [0.0] * len(tasks)
    return Job(seconds, nothing, nothing, needs)


def slept(prepared: Prepared, job: Job, workers: int) -> float:
    """Seconds that the plan takes when its tasks sleep."""
    lengths = dict(zip(prepared.plan.tasks, job.seconds, strict=True))

    def sleep(spec, *_inputs):
        time.sleep(lengths[spec.key])
        return Ref(spec.key)

    earnest, execute.run_task = execute.run_task, sleep
    try:
        begun = time.perf_counter()
        execute.run_plan(prepared.plan, prepared.plan.tasks, workers=workers)
        return time.perf_counter() - begun
    finally:
        execute.run_task = earnest


def main() -> None:
    with tempfile.TemporaryDirectory(prefix="coldframe-bench-") as name:
        folder = Path(name)
        make_night(folder / "night", sys.argv[1] if len(sys.argv) > 1 else "small", 1, "mono")
        timed(folder / "night", folder / "warm", 2)  # compiles, and fills the disk's cache
        prepared, times, _ = timed(folder / "night", folder / "measured", 1)
        job = job_of(prepared, times, SLOW)
        for workers in (1, 2, 4, 8, 16):
            said = simulate(job, Machine(workers, OVERHEAD)).seconds
            took = slept(prepared, job, workers)
            print(
                f"{workers} sleeping: simulated {said:.2f} s, took {took:.2f} s: {said / took:.2f}"
            )
        for workers in (1, 2):
            said = simulate(job_of(prepared, times), Machine(workers, OVERHEAD)).seconds
            _, _, took = timed(folder / "night", folder / f"out-{workers}", workers)
            print(
                f"{workers} working: simulated {said:.1f} s, took {took:.1f} s: {said / took:.2f}"
            )
        for step in ("aligned", "stack"):
            members = sum(
                len(prepared.plan.tasks[k][0].members) for k in prepared.plan.decisions[step]
            )
            spent = sum(times["DecideTask", step])
            print(f"deciding '{step}': {1000 * spent / members:.2f} ms a frame")
        store = Store(prepared.plan.store)
        aligned = [item.key for item in prepared.plan.flows["aligned"]]
        keys = [key for key in aligned if store.file(key).exists()]
        begun = time.process_time()
        for key in keys:
            store.bands(key)
        print(f"opening: {1000 * (time.process_time() - begun) / len(keys):.2f} ms a frame")


if __name__ == "__main__":
    sys.exit(main())
