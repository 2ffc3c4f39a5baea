"""A process's share of memory, which its tasks hold a part of while they run.

Tasks differ in what they take, by a factor of ten and more: with a budget of bytes small ones run
side by side and a large one waits for room. Masters serve many tasks; they are held once for all,
stay while there is room, and go when it is needed.
"""

from __future__ import annotations

import threading
from collections import OrderedDict, deque
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Generic, TypeVar

T = TypeVar("T")

MOST_LENT = 4
"""So many shared things stay in a process that was given no budget: bias, dark, flat, one more."""


@dataclass(frozen=True, slots=True)
class Need:
    """Bytes that a task holds while it runs: its own, and those of masters it shares by key."""

    own: int = 0
    shared: Mapping[str, int] = field(default_factory=dict)

    @property
    def total(self) -> int:
        """What it takes when it runs alone."""
        return self.own + sum(self.shared.values())


@dataclass(slots=True)
class _Lent(Generic[T]):
    size: int = 0
    users: int = 0
    value: T | None = None
    lock: threading.Lock = field(default_factory=threading.Lock)


class Budget:
    """Bytes for the tasks of one process. Thread-safe; tasks come in in the order they ask."""

    def __init__(
        self, total: float = float("inf"), needs: Mapping[str, Need] | None = None
    ) -> None:
        self._total, self._needs = total, needs or {}
        self._used = 0
        self._lent: OrderedDict[str, _Lent[object]] = OrderedDict()
        self._room = threading.Condition()
        self._queue: deque[object] = deque()

    @contextmanager
    def held(self, task: str) -> Iterator[None]:
        """Wait until the task's need fits, and give it back afterwards.

        A task that is larger than the whole budget runs alone.
        """
        need = self._needs.get(task, Need())
        turn = object()
        with self._room:
            self._queue.append(turn)
            try:
                self._room.wait_for(lambda: self._queue[0] is turn and self._fits(need))
            finally:
                self._queue.remove(turn)
                self._room.notify_all()
            self._used += need.own
            for key, size in need.shared.items():
                lent = self._lent.setdefault(key, _Lent())
                self._lent.move_to_end(key)
                lent.size, lent.users = size, lent.users + 1
        try:
            yield
        finally:
            with self._room:
                self._used -= need.own
                for key in need.shared:
                    self._lent[key].users -= 1
                self._trim()
                self._room.notify_all()

    def _fits(self, need: Need) -> bool:
        """Whether there is room; if so, things that nobody uses have gone to make it."""
        new = need.own + sum(s for key, s in need.shared.items() if key not in self._lent)
        held = self._used + sum(lent.size for lent in self._lent.values())
        idle = [k for k, lent in self._lent.items() if not lent.users and k not in need.shared]
        alone = self._used == 0 and not any(lent.users for lent in self._lent.values())
        if not alone and held + new - sum(self._lent[k].size for k in idle) > self._total:
            return False
        for key in idle:  # the longest unused first
            if held + new <= self._total:
                break
            held -= self._lent.pop(key).size
        return True

    def _trim(self) -> None:
        idle = [key for key, lent in self._lent.items() if not lent.users]
        for key in idle[: max(0, len(self._lent) - MOST_LENT)]:
            del self._lent[key]

    def resident(self) -> frozenset[str]:
        """Keys of the shared things that are in memory now."""
        with self._room:
            return frozenset(key for key, lent in self._lent.items() if lent.value is not None)

    def lent(self, key: str, load: Callable[[], T]) -> T:
        """What `load` gives, loaded once for all tasks that want it at a time."""
        with self._room:
            lent = self._lent.setdefault(key, _Lent())
            self._lent.move_to_end(key)
            lent.users += 1
        try:
            with lent.lock:
                if lent.value is None:
                    lent.value = load()
                return lent.value  # type: ignore[return-value]
        finally:
            with self._room:
                lent.users -= 1
                self._trim()
                self._room.notify_all()


_here = Budget()


def budget() -> Budget:
    """The budget of this process; without a limit where none was set."""
    return _here


@contextmanager
def limited(total: int, needs: Mapping[str, Need]) -> Iterator[Budget]:
    """Tasks of this process share `total` bytes; what they lent each other goes at the end.

    needs : by the task's key; a task that is not there needs nothing.
    """
    global _here
    before, _here = _here, Budget(total, needs)
    try:
        yield _here
    finally:
        _here = before
