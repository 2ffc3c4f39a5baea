"""A run of many tasks on many workers, event by event, without doing any of them.

Three things are shared: one scheduler that hands out one task after the other, the workers, and one
disk (or network) that serves one request after the other. A worker that is free takes the first
task that is ready, reads, computes, writes; this is list scheduling (Graham 1969, SIAM J. Appl.
Math. 17, 416).
"""

from __future__ import annotations

import heapq
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

WAITS = {
    "planning": "planning the graph",
    "scheduler": "handing out tasks",
    "disk": "reading and writing",
    "workers": "workers, all busy",
    "path": "tasks that wait for each other",
}
"""What may take the longest, and in words."""


@dataclass(frozen=True, slots=True)
class Job:
    """Tasks in the order in which they are taken when several are ready.

    seconds : of computing. read, written : bytes. needs : for each task the places of those it
    waits for.
    """

    seconds: Sequence[float]
    read: Sequence[float]
    written: Sequence[float]
    needs: Sequence[Sequence[int]]


@dataclass(frozen=True, slots=True)
class Machine:
    """What a job runs on.

    workers : tasks at once. overhead : seconds of the scheduler for one task. disk : bytes per
    second of the store that all share. planning : seconds before the first task.
    """

    workers: int
    overhead: float = 0.0
    disk: float = float("inf")
    planning: float = 0.0


@dataclass(frozen=True, slots=True)
class Outcome:
    """seconds : from the command to the last task's end. bounds : the least that each of `WAITS`
    alone would take, s."""

    seconds: float
    bounds: Mapping[str, float]

    @property
    def limit(self) -> str:
        """What keeps the run from being faster: the greatest of the bounds."""
        return max(self.bounds, key=lambda name: self.bounds[name])


def bounds(job: Job, machine: Machine) -> dict[str, float]:
    """The time of a run is at least each of these, s; and planning comes on top of all others.

    The work over the workers, and the longest chain of tasks that need each other (Graham 1969);
    the tasks times the scheduler's time for one; the bytes over the disk's speed.
    """
    ends: list[float] = []
    for place, needs in enumerate(job.needs):
        own = job.seconds[place] + (job.read[place] + job.written[place]) / machine.disk
        ends.append(machine.overhead + own + max((ends[n] for n in needs), default=0.0))
    return {
        "planning": machine.planning,
        "scheduler": len(job.seconds) * machine.overhead,
        "disk": (sum(job.read) + sum(job.written)) / machine.disk,
        "workers": sum(job.seconds) / machine.workers,
        "path": max(ends, default=0.0),
    }


def simulate(job: Job, machine: Machine) -> Outcome:
    """Play a job through.

    Raises ValueError when a task needs a later one: tasks come after those they need.
    """
    for place, needs in enumerate(job.needs):
        if any(need >= place for need in needs):
            raise ValueError("a task must come after those that it needs")
    return Outcome(machine.planning + _Clock(job, machine).run(), bounds(job, machine))


_ENDED, _HANDED_OUT, _COMPUTED = range(3)


class _Clock:
    """What happens when, and who is busy until then."""

    def __init__(self, job: Job, machine: Machine) -> None:
        self._job, self._machine = job, machine
        self._free = machine.workers
        self._scheduler = self._disk = 0.0  # busy until
        self._queue: list[int] = []  # tasks that wait for a worker
        self._events: list[tuple[float, int, int]] = []  # time, what happens, task
        self._after: list[list[int]] = [[] for _ in job.needs]
        for place, needs in enumerate(job.needs):
            for need in needs:
                self._after[need].append(place)

    def run(self) -> float:
        """When the last task ends, s."""
        events, waits, now = self._events, [len(needs) for needs in self._job.needs], 0.0
        for place, count in enumerate(waits):
            if not count:
                self._hand_out(place, now)
        while events:
            now = events[0][0]
            # All that happens at once comes first, so that workers choose among all that is ready.
            while events and events[0][0] == now:
                _, what, place = heapq.heappop(events)
                if what == _HANDED_OUT:
                    heapq.heappush(self._queue, place)
                elif what == _COMPUTED:
                    ended = self._moved(self._job.written[place], now)
                    heapq.heappush(events, (ended, _ENDED, place))
                else:
                    self._free += 1
                    for follower in self._after[place]:
                        waits[follower] -= 1
                        if not waits[follower]:
                            self._hand_out(follower, now)
            while self._free and self._queue:
                self._free -= 1
                place = heapq.heappop(self._queue)
                begun = self._moved(self._job.read[place], now)
                heapq.heappush(events, (begun + self._job.seconds[place], _COMPUTED, place))
        return now

    def _hand_out(self, place: int, now: float) -> None:
        self._scheduler = max(self._scheduler, now) + self._machine.overhead
        heapq.heappush(self._events, (self._scheduler, _HANDED_OUT, place))

    def _moved(self, size: float, now: float) -> float:
        """When the disk is done with so many bytes that were asked for now."""
        if not size or self._machine.disk == float("inf"):
            return now
        self._disk = max(self._disk, now) + size / self._machine.disk
        return self._disk
