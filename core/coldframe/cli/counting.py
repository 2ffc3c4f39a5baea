"""Work that is counted in frames, before the plan is known."""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING

from rich.progress import MofNCompleteColumn, Progress, TextColumn

from coldframe.cli.show import console, tell

if TYPE_CHECKING:
    from coldframe.plugins import Registry
    from coldframe.prepared import Prepared, Request

LOOKING = "looking at frames"
QUIET = 10.0  # seconds between plain lines


class Counting:
    """Tells how many frames are done: a bar on a terminal, now and then a line elsewhere."""

    def __init__(self, what: str = LOOKING) -> None:
        self._what = what
        screen = console(stderr=True)
        columns = (TextColumn("{task.description}"), MofNCompleteColumn())
        self._bar = Progress(
            *columns, console=screen, transient=True, disable=not screen.is_terminal
        )
        self._task = self._bar.add_task(what, total=None)
        self._lock = threading.Lock()
        self._last = time.monotonic()

    def __enter__(self) -> Counting:
        self._bar.start()
        return self

    def __exit__(self, *problem: object) -> None:
        self._bar.stop()

    def show(self, done: int, total: int) -> None:
        """So many frames of all are done; may be called from any thread."""
        self._bar.update(self._task, completed=done, total=total)
        if not self._bar.disable:
            return
        with self._lock:
            if time.monotonic() - self._last > QUIET:
                self._last = time.monotonic()
                tell(f"{self._what}: {done} of {total}")


def prepare_shown(request: Request, registry: Registry) -> Prepared:
    """`session.prepare`, with what it looks at counted for people."""
    from coldframe.session import prepare

    with Counting() as counting:
        return prepare(request, registry, counting.show)
