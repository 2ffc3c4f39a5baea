"""Runs a plan's tasks with a dask scheduler; the products are the same on every one."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from coldframe.errors import ColdframeError, UsageError
from coldframe.evidence.trial import Trial, run_trial
from coldframe.planned import Plan
from coldframe.specs import FrameTask, OutputTask, TaskSpec
from coldframe.store import Ref, Store
from coldframe.tasks import run_task

SCHEDULERS = ("threads", "processes", "sync")

Watcher = Callable[[TaskSpec, Ref | None], None]
"""Called with a task when it starts (None) and when it is done (what it made)."""


def pending(plan: Plan) -> dict[str, tuple[TaskSpec, tuple[str, ...]]]:
    """The tasks that must run: those behind the targets that the store does not have yet."""
    store = Store(plan.store)
    needed: dict[str, tuple[TaskSpec, tuple[str, ...]]] = {}
    checked: dict[str, bool] = {}

    def is_done(key: str) -> bool:
        if key not in checked:
            spec = plan.tasks[key][0]
            ref = None if isinstance(spec, OutputTask) else store.get(key)
            checked[key] = ref is not None and (
                bool(ref.aside)
                or not isinstance(spec, FrameTask)
                or all(store.get(look.key) is not None for look in spec.looks)
            )
        return checked[key]

    queue = list(plan.targets)
    while queue:
        key = queue.pop()
        if key in needed or is_done(key):
            continue
        needed[key] = plan.tasks[key]
        queue += plan.tasks[key][1]
    return needed


def run_plan(
    plan: Plan,
    tasks: dict[str, tuple[TaskSpec, tuple[str, ...]]],
    *,
    scheduler: str = "threads",
    workers: int = 1,
    watch: Watcher | None = None,
) -> dict[str, Ref]:
    """Run `tasks` (from `pending`) and return what each made.

    Raises
    ------
    UsageError
        Unknown scheduler.
    ColdframeError
        The first task that failed for good, with its message.
    """
    if not tasks:
        return {}
    graph: dict[str, Any] = {}
    for key, (spec, needs) in tasks.items():
        waits = (n for n in needs if n in tasks)
        if key in plan.trials:
            graph[key] = (run_trial, Trial(spec, plan.trials[key]), *waits)
        else:
            graph[key] = (run_task, spec, *waits)
    keys = list(tasks)
    with _callback(tasks, watch):
        refs: Iterable[Ref] = _get(scheduler, graph, keys, workers)
    return dict(zip(keys, refs, strict=True))


def _get(scheduler: str, graph: dict[str, Any], keys: list[str], workers: int) -> Iterable[Ref]:
    if scheduler == "sync":
        import dask.local

        return dask.local.get_sync(graph, keys)
    if scheduler == "threads":
        import dask.threaded

        return dask.threaded.get(graph, keys, num_workers=workers)
    if scheduler == "processes":
        from concurrent.futures.process import BrokenProcessPool

        import dask.multiprocessing

        try:
            return dask.multiprocessing.get(graph, keys, num_workers=workers, optimize_graph=False)
        except BrokenProcessPool:
            raise ColdframeError(
                "a worker process died (killed, or out of memory). Finished work is kept: the same "
                "command goes on; fewer --workers or less --memory may help"
            ) from None
    raise UsageError(f"unknown scheduler '{scheduler}'; there are: {', '.join(SCHEDULERS)}")


def _callback(tasks: dict[str, tuple[TaskSpec, tuple[str, ...]]], watch: Watcher | None) -> Any:
    from dask.callbacks import Callback

    class Watch(Callback):
        def _pretask(self, key: Any, _dsk: Any, _state: Any) -> None:
            if watch is not None and key in tasks:
                watch(tasks[key][0], None)

        def _posttask(self, key: Any, value: Any, _dsk: Any, _state: Any, _worker: Any) -> None:
            if watch is not None and key in tasks:
                watch(tasks[key][0], value)

    return Watch()
