"""A run seen live: bars on a terminal, plain lines elsewhere."""

from __future__ import annotations

import sys
import threading
import time
from types import TracebackType
from typing import Any

import click

from coldframe.cli.show import seconds_text
from coldframe.estimate import seconds_of
from coldframe.prepared import Prepared
from coldframe.specs import FrameTask, TaskSpec
from coldframe.store import Ref

QUIET = 10.0  # seconds between plain lines


class Progress:
    """Counts tasks by step; time left comes from planned costs scaled by the pace so far."""

    def __init__(self, prepared: Prepared) -> None:
        self.order = [*prepared.recipe.inputs, *prepared.recipe.steps]
        self.totals: dict[str, int] = {}
        self.done: dict[str, int] = {}
        self.cost_total = self.cost_done = 0.0
        self.costs: dict[str, float] = {}
        for key, (spec, _) in prepared.tasks.items():
            self.totals[spec.step_id] = self.totals.get(spec.step_id, 0) + 1
            self.costs[key] = seconds_of(spec, prepared.plan, prepared.rates)
            self.cost_total += self.costs[key]
        self.started = self.last_line = time.monotonic()
        self.lock = threading.Lock()
        self.bars: Any = None
        self.bar_ids: dict[str, Any] = {}

    def __enter__(self) -> Progress:
        if sys.stderr.isatty():
            from rich.console import Console
            from rich.progress import BarColumn, MofNCompleteColumn, TextColumn
            from rich.progress import Progress as Bars

            self.bars = Bars(
                TextColumn("{task.description:<14}"),
                BarColumn(),
                MofNCompleteColumn(),
                TextColumn("{task.fields[note]}"),
                console=Console(stderr=True),
            )
            self.bars.start()
            for step in sorted(self.totals, key=self._place):
                self.bar_ids[step] = self.bars.add_task(step, total=self.totals[step], note="")
            everything = sum(self.totals.values())
            self.bar_ids[""] = self.bars.add_task("all", total=everything, note="")
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.bars is not None:
            self.bars.stop()

    def _place(self, step: str) -> int:
        return self.order.index(step) if step in self.order else len(self.order)

    def left(self) -> str:
        """Time left in words."""
        elapsed = time.monotonic() - self.started
        if self.cost_done < 0.02 * self.cost_total or elapsed < 2:
            return ""
        remaining = max(0.0, self.cost_total - self.cost_done)
        return seconds_text(elapsed * remaining / self.cost_done) + " left"

    def __call__(self, spec: TaskSpec, ref: Ref | None) -> None:
        if ref is None:
            return
        with self.lock:
            step = spec.step_id
            self.done[step] = self.done.get(step, 0) + 1
            self.cost_done += self.costs.get(spec.key, 0.0)
            if ref.aside and isinstance(spec, FrameTask) and spec.step_id in self.order:
                self._say(f"set aside {ref.info.label}: {ref.aside}")
            if self.bars is not None:
                self.bars.update(self.bar_ids[step], completed=self.done[step])
                everything = sum(self.done.values())
                self.bars.update(self.bar_ids[""], completed=everything, note=self.left())
                return
            now = time.monotonic()
            finished = self.done[step] == self.totals[step]
            if finished or now - self.last_line > QUIET:
                self.last_line = now
                count = f"{self.done[step]} of {self.totals[step]}"
                done = sum(self.done.values()), sum(self.totals.values())
                self._say(f"{step}: {count} tasks ({done[0]} of {done[1]} in all) {self.left()}")

    def _say(self, text: str) -> None:
        if self.bars is not None:
            self.bars.console.print(text, markup=False, highlight=False)
        else:
            click.echo(text.rstrip(), err=True)
