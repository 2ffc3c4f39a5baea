"""Runs tasks on dask.distributed: worker processes here, or a dask scheduler that already runs.

Specs go out and what was made comes back; pixels travel through the store only. Tasks are handed
over as they become ready, a window of them at a time, so that neither the scheduler nor the network
ever holds the whole graph.
"""

from __future__ import annotations

import heapq
import itertools
import queue
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from coldframe.connecting import connected, lost, replace_dead
from coldframe.errors import ColdframeError
from coldframe.handshake import Answer, Meeting, admitted, meeting, unseen
from coldframe.specs import TaskSpec, describe
from coldframe.store import Ref
from coldframe.tasks import run_task

Tasks = Mapping[str, tuple[TaskSpec, tuple[str, ...]]]
Note = Callable[[TaskSpec, Ref | None], None]
Say = Callable[[str], None]

ARRIVAL = 600.0  # s to wait for a first worker; a job queue takes its time
TICK = 2.0  # s between looks at whether the scheduler is still there
SPARE = 16  # tasks handed over beyond two a worker thread


@contextmanager
def joined(
    store: Path,
    tasks: Tasks,
    scheduler: str,
    workers: int,
    memory: int,
    say: Say,
    every: Sequence[TaskSpec] = (),
) -> Iterator[Team]:
    """Workers that were checked and wait for tasks. Those that do not fit are told and left out.

    every : all tasks of the plan; those of them that are done may have to be done again.

    Raises ColdframeError that says what each worker lacks, when none fits.
    """
    specs = [spec for spec, _ in tasks.values()]
    with connected(scheduler, workers, memory) as client:
        _await_workers(client, scheduler, say)
        with meeting(store, specs, every or specs) as place:
            bokeh, unfit = _check(client, scheduler, place, say)
            if bokeh and client.dashboard_link:
                say(f"dashboard: {client.dashboard_link}")
            team = Team(client, scheduler, workers, place, say, unfit)
            try:
                yield team
            finally:
                team.cancel()


def _await_workers(client: Any, scheduler: str, say: Say) -> None:
    deadline = time.monotonic() + ARRIVAL
    waiting = False
    while not client.nthreads():
        if not waiting:
            say(f"waiting for a worker to join {scheduler}")
            waiting = True
        if time.monotonic() > deadline:
            raise ColdframeError(
                f"no worker joined {scheduler} within {ARRIVAL / 60:.0f} minutes; start some with "
                "'dask worker'"
            )
        time.sleep(0.5)


def _check(client: Any, scheduler: str, place: Meeting, say: Say) -> tuple[bool, set[str]]:
    """Whether the scheduler draws a dashboard, and addresses of workers that do not fit."""
    try:
        bokeh = bool(client.run_on_scheduler(_draws))
    except ModuleNotFoundError as error:
        raise ColdframeError(
            f"the dask scheduler at {scheduler} has no {error.name}: it needs the same "
            "installation as its workers"
        ) from None
    unfit: dict[str, str] = {}
    answers = client.run(admitted, place, on_error="return")
    for address, answer in answers.items():
        host = address
        if isinstance(answer, Answer):
            host = f"{answer.host} ({address})"
            found = [*answer.problems, *unseen(answer)]
        elif isinstance(answer, ModuleNotFoundError):
            found = [f"{answer.name} is not installed there"]
        else:
            found = [f"{type(answer).__name__}: {answer}"]
        if found:
            unfit[address] = _lacks(host, found)
    if len(unfit) == len(answers):
        raise ColdframeError(
            "no worker can take part; nothing was started:"
            + "".join(f"\n  {text}" for text in unfit.values())
        )
    for text in unfit.values():
        say(f"{text}\n  It gets no work.")
    return bokeh, set(unfit)


def _lacks(host: str, found: Sequence[str]) -> str:
    """What keeps a worker from taking part, a line each where there are several."""
    return (
        f"worker {host}: {found[0]}"
        if len(found) == 1
        else (f"worker {host}:" + "".join(f"\n    {problem}" for problem in found))
    )


def _draws() -> bool:
    from importlib.util import find_spec

    import coldframe.specs  # noqa: F401 - the scheduler reads specs too

    return find_spec("bokeh") is not None


class UnfitError(ColdframeError):
    """Raised on a worker that joined later and may not take part."""

    def __init__(self, message: str, address: str) -> None:
        super().__init__(message, address)
        self.address = address

    def __str__(self) -> str:
        return str(self.args[0])


def work(spec: TaskSpec, place: Meeting) -> Ref:
    """One task, on a worker. Raises UnfitError when this worker may not take part."""
    answer = admitted(place)
    if answer.problems:
        from distributed import get_worker

        address = get_worker().address
        raise UnfitError(_lacks(f"{answer.host} ({address})", answer.problems), address)
    return run_task(spec)


class Team:
    """Checked workers of one run. `run` may be called several times."""

    def __init__(
        self,
        client: Any,
        scheduler: str,
        workers: int,
        place: Meeting,
        say: Say,
        unfit: Iterable[str] = (),
    ) -> None:
        self._client, self._scheduler, self._place, self._say = client, scheduler, place, say
        self._unfit, self._workers = set(unfit), workers
        self._threads = sum(self._fit().values())
        self._limit = workers if workers < self._threads else None  # fewer than there are: memory
        self._ended: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._futures: dict[str, Any] = {}  # task key -> future
        self._numbers = itertools.count()
        self._looked = self._alone = 0.0  # when last looked; since when there is no worker, or 0

    def run(self, tasks: Tasks, note: Note) -> None:
        """Do the tasks, each after those it needs.

        Raises
        ------
        ColdframeError
            A task failed for good, took one worker after the other with it, or the scheduler or
            all workers are gone.
        """
        try:
            self._run(tasks, note)
        except ColdframeError:
            self.cancel()
            raise

    def _run(self, tasks: Tasks, note: Note) -> None:
        import dask.order

        needs = {key: {n for n in task[1] if n in tasks} for key, task in tasks.items()}
        order = dask.order.order({key: (work, *needs[key]) for key in needs})
        waits = {key: len(needed) for key, needed in needs.items()}
        after: dict[str, list[str]] = {}
        for key, needed in needs.items():
            for need in needed:
                after.setdefault(need, []).append(key)
        ready = [(order[key], key) for key, count in waits.items() if not count]
        heapq.heapify(ready)
        left = len(tasks)
        while left:
            room = max(0, self._window() - len(self._futures))
            chosen = [heapq.heappop(ready)[1] for _ in range(min(room, len(ready)))]
            self._submit(chosen, tasks, note)
            for key, ref in self._collect(tasks):
                left -= 1
                note(tasks[key][0], ref)
                for follower in after.get(key, ()):
                    waits[follower] -= 1
                    if not waits[follower]:
                        heapq.heappush(ready, (order[follower], follower))

    def cancel(self) -> None:
        """Take back what has not begun; what is under way ends with its task."""
        if self._futures:
            with suppress(Exception):  # the scheduler may be gone
                self._client.cancel(list(self._futures.values()), force=True)
            self._futures.clear()

    def _fit(self) -> dict[str, int]:
        """Threads of the workers that may take part, by their addresses."""
        threads: dict[str, int] = self._client.nthreads()
        return {address: n for address, n in threads.items() if address not in self._unfit}

    def _window(self) -> int:
        return self._limit or 2 * self._threads + SPARE

    def _submit(self, keys: Sequence[str], tasks: Tasks, note: Note) -> None:
        if not keys:
            return
        specs = [tasks[key][0] for key in keys]
        for spec in specs:
            note(spec, None)
        fit = self._await_fit() if self._unfit else None
        futures = self._client.map(
            work,
            specs,
            place=self._place,
            # By step for the dashboard; never used twice, as other runs may have the same tasks.
            key=[f"{spec.step_id}-{self._place.token}-{next(self._numbers)}" for spec in specs],
            pure=False,
            workers=fit,
            allow_other_workers=fit is not None,  # they may be gone when the task's turn comes
        )
        for key, future in zip(keys, futures, strict=True):
            self._futures[key] = future
            future.add_done_callback(lambda ended, key=key: self._ended.put((key, ended)))

    def _await_fit(self) -> list[str]:
        """Addresses of workers that may take part; at least one."""
        while not (fit := list(self._fit())):
            self._check_there()
            time.sleep(TICK)
        return fit

    def _collect(self, tasks: Tasks) -> list[tuple[str, Ref]]:
        """Wait for tasks to end; what they made."""
        ended = self._wait()
        good = [key for key, future in ended.items() if future.status == "finished"]
        refs = self._client.gather([ended[key] for key in good])
        bad = [key for key in ended if key not in set(good)]
        for key in bad:
            self._look_at(ended[key], tasks[key][0])
        for key in ended:
            del self._futures[key]
        self._submit(bad, tasks, lambda _spec, _ref: None)
        return list(zip(good, refs, strict=True))

    def _wait(self) -> dict[str, Any]:
        """Futures that have ended, by task; at least one."""
        out: dict[str, Any] = {}
        while not out:
            self._check_there()
            try:
                found = [self._ended.get(timeout=TICK)]
            except queue.Empty:
                continue
            while not self._ended.empty():
                found.append(self._ended.get())
            out = {key: future for key, future in found if self._futures.get(key) is future}
        return out

    def _look_at(self, future: Any, spec: TaskSpec) -> None:
        """Why a task failed. Raises, unless another worker shall do it."""
        if future.status != "error":
            raise lost(self._scheduler)
        error = future.exception()
        if isinstance(error, UnfitError):
            if error.address not in self._unfit:
                self._unfit.add(error.address)
                self._say(f"{error}\n  It joined later and gets no work.")
            return
        if isinstance(error, ColdframeError):
            raise error
        if type(error).__name__ == "KilledWorker":
            raise ColdframeError(
                f"{describe(spec)}: {error.allowed_failures + 1} workers died one after the other "
                f"on it, the last at {error.last_worker.address} (out of memory?). Finished work "
                "is kept: the same command goes on"
            )
        raise ColdframeError(f"{describe(spec)} failed: {type(error).__name__}: {error}")

    def _check_there(self) -> None:
        """Raises ColdframeError when the scheduler is gone, or all workers are, for long."""
        if self._client.status != "running":
            raise lost(self._scheduler)
        now = time.monotonic()
        if now - self._looked < TICK:
            return
        self._looked = now
        replace_dead(self._client, self._workers)
        threads = sum(self._fit().values())
        if threads:
            self._threads, self._alone = threads, 0.0
        elif not self._alone:
            self._alone = now
            self._say(f"no worker that fits is left at {self._scheduler}: waiting for one")
        elif now - self._alone > ARRIVAL:
            raise ColdframeError(
                f"no worker that fits is left at {self._scheduler}, and none has come for "
                f"{ARRIVAL / 60:.0f} minutes. Finished work is kept: the same command goes on"
            )
