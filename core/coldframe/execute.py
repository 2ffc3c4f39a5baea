"""Runs a plan's tasks with a dask scheduler; the products are the same on every one.

What is done is what the store has. So a run that was cut off goes on where it stopped, and a
product that turns out damaged in the middle of a run is made again.
"""

from __future__ import annotations

import logging
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

from coldframe.errors import DamagedError, UsageError
from coldframe.planned import Plan
from coldframe.recovery import intact, marked, recover, settle
from coldframe.specs import (
    BandTask,
    DecideTask,
    FrameTask,
    OutputTask,
    ProbeTask,
    StackTask,
    TaskSpec,
)
from coldframe.store import Ref, Store
from coldframe.tasks import run_task
from coldframe.written import still_written

log = logging.getLogger("coldframe")

SCHEDULERS = ("threads", "processes", "sync", "local")
"""Schedulers by name; besides them the address or the scheduler file of a running dask scheduler."""

ADDRESSES = ("tcp://", "tls://")

HEALINGS = 3  # times one product may turn out damaged in a run before that is an error
PATIENCE = 5.0  # s; more at each turn, 30 s in all

Tasks = Mapping[str, tuple[TaskSpec, tuple[str, ...]]]

Watcher = Callable[[TaskSpec, Ref | None], None]
"""Called with a task when it starts (None) and when it is done (what it made)."""

Say = Callable[[str], None]
"""Called with a line for people, from any thread."""

Note = Callable[[TaskSpec, Ref | None], None]
Runner = Callable[[Tasks, Note], None]


def check_scheduler(name: str) -> str:
    """The name itself. Raises UsageError when it is no scheduler."""
    if name in SCHEDULERS or name.startswith(ADDRESSES) or Path(name).is_file():
        return name
    if Path(name).is_dir():
        raise UsageError(
            f"--scheduler {name} is a folder: name the file in it that a running "
            "dask scheduler wrote"
        )
    if Path(name).suffix or Path(name).name != name:
        raise UsageError(
            f"--scheduler {name}: no such file. A running dask scheduler writes one when it is "
            f"started with '--scheduler-file {name}'"
        )
    raise UsageError(
        f"unknown scheduler '{name}'; there are: {', '.join(SCHEDULERS)}, an address such as "
        "tcp://host:8786, and the file that a running dask scheduler wrote"
    )


def pending(
    plan: Plan, targets: Iterable[str] | None = None
) -> dict[str, tuple[TaskSpec, tuple[str, ...]]]:
    """The tasks that must run: those behind the targets that the store does not have yet.

    targets : keys of tasks; the plan's own when None. Products that an earlier run left damaged
    when it was cut off are removed first.
    """
    store = Store(plan.store)
    queue = list(plan.targets if targets is None else targets)
    untold: list[str] = []
    cut_off = recover(plan.store) if targets is None else None
    if cut_off is not None:
        checked, damaged = cut_off
        if damaged:
            plan.warnings.append(
                f"an earlier run was cut off; of the {checked} products it wrote last {damaged} "
                "were damaged and are made again"
            )
        untold = _untold(plan, store)
        queue += untold
        _drop_bands(plan, store)
    needed: dict[str, tuple[TaskSpec, tuple[str, ...]]] = {}
    done: dict[str, bool] = {}

    def is_done(key: str) -> bool:
        if key not in done:
            spec = plan.tasks[key][0]
            if isinstance(spec, OutputTask):  # what was written may not be whole after a cut-off
                ref = still_written(spec, store) if cut_off is None else None
            else:
                ref = store.get(key)
            done[key] = ref is not None and (
                bool(ref.aside)
                or not isinstance(spec, FrameTask)
                or all(store.get(look.key) is not None for look in spec.looks)
            )
        return done[key]

    looked_at: set[str] = set()
    while queue:
        key = queue.pop()
        if key in needed or is_done(key):
            continue
        needed[key] = plan.tasks[key]
        queue += plan.tasks[key][1]
        for decision in _through(plan.tasks[key][0]) - looked_at:
            # It reads the frames that the decision covers; some may have been dropped since.
            looked_at.add(decision)
            covers, needs = plan.tasks[decision]
            assert isinstance(covers, DecideTask)
            if not all(is_done(member) for member, _, _ in covers.members):
                needed[decision] = covers, needs
                queue += needs
    for key, (spec, needs) in needed.items():
        if isinstance(spec, OutputTask):  # it writes the provenance of all before it
            needed[key] = (spec, tuple(dict.fromkeys((*needs, *untold))))
    return needed


def _through(spec: TaskSpec) -> set[str]:
    """Decisions by which a task finds the frames that it reads."""
    if isinstance(spec, BandTask):
        return {spec.decision}
    return set(spec.keys.get("decision", ())) if isinstance(spec, ProbeTask) else set()


def _untold(plan: Plan, store: Store) -> list[str]:
    """Tasks that left no sidecar. A stack may have outlived the loss of what it was made of, but
    its provenance must be whole."""
    return [
        key
        for key, (spec, _) in plan.tasks.items()
        if not isinstance(spec, BandTask | OutputTask)
        and getattr(spec, "trial", None) is None  # those delete what they are made of
        and not all(
            store.file(made).with_suffix(".json").exists()
            for made in (key, *(look.key for look in getattr(spec, "looks", ())))
        )
    ]


def _drop_bands(plan: Plan, store: Store) -> None:
    """Bands of stacks that are done: the run that made them was stopped before it took them away."""
    for key, (spec, _) in plan.tasks.items():
        if isinstance(spec, StackTask) and store.get(key) is not None:
            for band in spec.bands:
                store.delete(band)


def run_plan(
    plan: Plan,
    tasks: Tasks,
    *,
    scheduler: str = "threads",
    workers: int = 1,
    memory: int = 0,
    watch: Watcher | None = None,
    say: Say | None = None,
) -> dict[str, Ref]:
    """Run `tasks` (from `pending`) and return what each made.

    workers : tasks at once. memory : bytes that local workers may use together, 0 for no limit.
    say : told what is worth knowing meanwhile, such as where dask shows the run.

    Raises
    ------
    UsageError
        Unknown scheduler.
    ColdframeError
        The first task that failed for good, with its message.
    """
    if not tasks:
        return {}
    made: dict[str, Ref] = {}

    def note(spec: TaskSpec, ref: Ref | None) -> None:
        if spec.key in made or spec.key not in tasks:
            return  # made a second time, because it was damaged
        if ref is not None:
            made[spec.key] = ref
        if watch is not None:
            watch(spec, ref)

    damages: Counter[Path] = Counter()
    rounds: list[Tasks] = [tasks]  # the last is run first: repairs go before what waits for them
    with marked(plan.store), _runner(plan, tasks, scheduler, workers, memory, say) as run:
        while rounds:
            try:
                if rounds[-1]:
                    run(rounds[-1], note)
                rounds.pop()
            except DamagedError as error:
                damages[error.path] += 1
                repair = _repair(plan, error, damages[error.path])
                rounds[-1] = _rest(plan, rounds[-1], made, note)
                rounds.append(repair)
    settle(plan.store)
    return {key: made[key] for key in tasks}


def _repair(plan: Plan, error: DamagedError, turn: int) -> Tasks:
    """Tasks that make a damaged product again. Raises the error when the plan has none."""
    store, key = Store(plan.store), error.path.stem
    owners = {
        look.key: spec.key
        for spec, _ in plan.tasks.values()
        if isinstance(spec, FrameTask)
        for look in spec.looks
    }
    owner = owners.get(key, key)
    if turn > HEALINGS or owner not in plan.tasks or store.root not in error.path.parents:
        raise error
    if intact(error.path.with_suffix(".json")):
        time.sleep(PATIENCE * turn)  # a shared folder shows a new file later on other machines
        return {}
    store.delete(key)
    return pending(plan, [owner])


def _rest(plan: Plan, tasks: Tasks, made: Mapping[str, Ref], note: Note) -> Tasks:
    """What is still to be done of some tasks; those that ended meanwhile are noted."""
    targets = [key for key in tasks if key not in made]
    rest = pending(plan, targets)
    store = Store(plan.store)
    for key in targets:
        if key not in rest:
            note(plan.tasks[key][0], store.get(key))
    return rest


@contextmanager
def _runner(
    plan: Plan, tasks: Tasks, scheduler: str, workers: int, memory: int, say: Say | None
) -> Iterator[Runner]:
    """Something that runs tasks; workers, where there are any, stay for all its rounds."""
    check_scheduler(scheduler)
    if scheduler == "sync":
        yield partial(_walk, run_task, 0)
    elif scheduler == "threads":
        yield partial(_walk, run_task, workers)
    elif scheduler == "processes":
        from coldframe.processes import Crew

        with Crew(workers) as crew:
            yield partial(_walk, crew.do, workers)
    else:
        from coldframe.distributing import joined

        every = [spec for spec, _ in plan.tasks.values()]
        tell = say or log.info
        with joined(plan.store, tasks, scheduler, workers, memory, tell, every) as team:
            yield team.run


def _walk(do: Callable[..., Ref], workers: int, tasks: Tasks, note: Note) -> None:
    """Dask's own walk over the graph, here or in threads; 0 workers: one task after the other."""
    import dask.local
    import dask.threaded

    graph = {
        key: (do, spec, *(need for need in needs if need in tasks))
        for key, (spec, needs) in tasks.items()
    }
    with _callback(tasks, note):
        if not workers:
            dask.local.get_sync(graph, list(tasks))
            return
        pool = ThreadPoolExecutor(workers)
        try:
            dask.threaded.get(graph, list(tasks), pool=pool)
        except Exception:
            pool.shutdown(wait=True, cancel_futures=True)  # what is under way is kept
            raise
        finally:
            pool.shutdown(wait=False, cancel_futures=True)


def _callback(tasks: Tasks, note: Note) -> Any:
    from dask.callbacks import Callback

    class Watch(Callback):
        def _pretask(self, key: Any, _dsk: Any, _state: Any) -> None:
            if key in tasks:
                note(tasks[key][0], None)

        def _posttask(self, key: Any, value: Any, _dsk: Any, _state: Any, _worker: Any) -> None:
            if key in tasks:
                note(tasks[key][0], value)

    return Watch()
