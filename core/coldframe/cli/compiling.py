"""Notices when numba compiles loops, which happens once a machine and takes seconds."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

from coldframe.ahead import EVENT


class Compiling:
    """Counts compilations in this process and the time in which any was going on.

    say : called with True when the first begins and with False when none is under way any more;
    from any thread. Worker processes compile by themselves and are not seen.
    """

    def __init__(self, say: Callable[[bool], None]) -> None:
        self._say = say
        self._lock = threading.Lock()
        self._depth = 0  # a loop that calls another has it compiled meanwhile
        self._since = 0.0
        self._seconds = 0.0
        self._listener: Any = None
        self.loops = 0

    def __enter__(self) -> Compiling:
        from numba.core import event

        outer = self

        class Listener(event.Listener):
            def on_start(self, _event: Any) -> None:
                outer._change(1)

            def on_end(self, _event: Any) -> None:
                outer._change(-1)

        self._listener = Listener()
        event.register(EVENT, self._listener)
        return self

    def __exit__(self, *problem: object) -> None:
        from numba.core import event

        event.unregister(EVENT, self._listener)

    @property
    def seconds(self) -> float:
        """Time by the clock in which something was being compiled."""
        with self._lock:
            return self._seconds + (time.monotonic() - self._since if self._depth else 0.0)

    def _change(self, by: int) -> None:
        with self._lock:
            before, self._depth = self._depth, self._depth + by
            now = time.monotonic()
            if before == 0:
                self._since = now
            elif self._depth == 0:
                self._seconds += now - self._since
            self.loops += by > 0
            told = self._depth > 0 if (before == 0) != (self._depth == 0) else None
        if told is not None:
            self._say(told)
