"""Remember what was worked out about a master while the master is in use."""

from __future__ import annotations

import threading
import weakref
from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from concurrent.futures import Future
from typing import Any, TypeVar

from coldframe.frame import Array

T = TypeVar("T")


class MasterCache:
    """A small, thread-safe, least-recently-used cache keyed by the identity of arrays.

    Masters are read-only and serve many frames, so identity is enough; weak references make
    sure that a new array at an old address is not taken for the old one. Values are pure
    functions of the arrays and the key, so a miss costs time and changes nothing.
    """

    def __init__(self, size: int) -> None:
        self._size = size
        self._lock = threading.Lock()
        self._entries: OrderedDict[Hashable, tuple[tuple[Any, ...], Future[Any]]] = OrderedDict()

    def get(self, arrays: Sequence[Array | None], key: Hashable, make: Callable[[], T]) -> T:
        """The remembered value, else `make()`; threads that want the same wait for one."""
        place = (tuple(id(a) for a in arrays), key)
        with self._lock:
            entry = self._entries.get(place)
            if entry is not None and all(
                a is None or ref() is a for ref, a in zip(entry[0], arrays, strict=True)
            ):
                self._entries.move_to_end(place)
                future, mine = entry[1], False
            else:
                future, mine = Future(), True
                refs = tuple(None if a is None else weakref.ref(a) for a in arrays)
                self._entries[place] = (refs, future)
                self._entries.move_to_end(place)
                while len(self._entries) > self._size:
                    self._entries.popitem(last=False)
        if mine:
            try:
                future.set_result(make())
            except BaseException as error:
                with self._lock:
                    if self._entries.get(place, (None, None))[1] is future:
                        del self._entries[place]
                future.set_exception(error)
        result: T = future.result()
        return result

    def __len__(self) -> int:
        return len(self._entries)
