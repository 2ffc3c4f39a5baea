"""A bar for work that is counted in frames, before the plan is known."""

from __future__ import annotations

from rich.console import Console
from rich.progress import MofNCompleteColumn, Progress, TextColumn


class Counting:
    """Tells on a terminal how many frames are done; silent elsewhere."""

    def __init__(self, what: str) -> None:
        console = Console(stderr=True)
        columns = (TextColumn("{task.description}"), MofNCompleteColumn())
        self._bar = Progress(
            *columns, console=console, transient=True, disable=not console.is_terminal
        )
        self._task = self._bar.add_task(what, total=None)

    def __enter__(self) -> Counting:
        self._bar.start()
        return self

    def __exit__(self, *problem: object) -> None:
        self._bar.stop()

    def show(self, done: int, total: int) -> None:
        """So many frames of all are done; may be called from any thread."""
        self._bar.update(self._task, completed=done, total=total)
