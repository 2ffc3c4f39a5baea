"""A run seen live: bars on a terminal, plain lines elsewhere."""

from __future__ import annotations

import threading
import time
from pathlib import Path
from types import TracebackType
from typing import Any

from coldframe.cli.compiling import Compiling
from coldframe.cli.show import console, seconds_text, tell
from coldframe.estimate import megapixels, seconds_of
from coldframe.prepared import Prepared
from coldframe.specs import FrameTask, TaskSpec
from coldframe.store import Ref, Store
from coldframe.timing import StepTime

LOOKING = "looking at frames"
QUIET = 10.0  # seconds between plain lines
COMPILING = "compiling loops, first use only"


class Progress:
    """Counts tasks by step, with the rate of each by the clock.

    Time left comes from planned costs scaled by the pace so far; what compiling took is left out
    of the pace.
    """

    def __init__(self, prepared: Prepared) -> None:
        self.order = [*prepared.recipe.inputs, *prepared.recipe.steps]
        self.plan = prepared.plan
        self.totals: dict[str, int] = {}
        self.times: dict[str, StepTime] = {}
        self.began: dict[str, tuple[float, float]] = {}  # by step: time, and time compiling
        self.cost_total = self.cost_done = 0.0
        self.costs: dict[str, float] = {}
        # Frames that are there already are only looked at, for a step whose parameters changed.
        self.looked_at = {
            key
            for key, (spec, _) in prepared.tasks.items()
            if isinstance(spec, FrameTask)
            and spec.looks
            and Store(Path(spec.store)).get(key) is not None
        }
        for key, (spec, _) in prepared.tasks.items():
            name = self._name(spec)
            self.totals[name] = self.totals.get(name, 0) + 1
            self.costs[key] = seconds_of(spec, prepared.plan, prepared.rates)
            self.cost_total += self.costs[key]
        self.started = self.last_line = time.monotonic()
        self.lock = threading.Lock()
        self.compiling = Compiling(self._compiles)
        self.bars: Any = None
        self.bar_ids: dict[str, Any] = {}

    def __enter__(self) -> Progress:
        screen = console(stderr=True)
        if screen.is_terminal and not screen.is_dumb_terminal:
            from rich.progress import BarColumn, MofNCompleteColumn, TextColumn
            from rich.progress import Progress as Bars

            self.bars = Bars(
                TextColumn("{task.description:<14}"),
                BarColumn(),
                MofNCompleteColumn(),
                TextColumn("{task.fields[note]}"),
                console=screen,
            )
            self.bars.start()
            for step in sorted(self.totals, key=self._place):
                self.bar_ids[step] = self.bars.add_task(step, total=self.totals[step], note="")
            everything = sum(self.totals.values())
            self.bar_ids[""] = self.bars.add_task("all", total=everything, note="")
        if self.totals:
            self.compiling.__enter__()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.totals:
            self.compiling.__exit__()
        if self.bars is not None:
            self.bars.stop()

    def _name(self, spec: TaskSpec) -> str:
        return LOOKING if spec.key in self.looked_at else spec.step_id

    def _place(self, step: str) -> int:
        return self.order.index(step) if step in self.order else len(self.order)

    def left(self) -> str:
        """Time left in words."""
        elapsed = time.monotonic() - self.started - self.compiling.seconds
        if self.cost_done < 0.02 * self.cost_total or elapsed < 2:
            return ""
        remaining = max(0.0, self.cost_total - self.cost_done)
        return seconds_text(elapsed * remaining / self.cost_done) + " left"

    def __call__(self, spec: TaskSpec, ref: Ref | None) -> None:
        now = time.monotonic()
        with self.lock:
            step = self._name(spec)
            began, compiled = self.began.setdefault(step, (now, self.compiling.seconds))
            if ref is None:
                return
            time_of = self.times.get(step, StepTime())
            size, frame = megapixels(spec, self.plan), isinstance(spec, FrameTask)
            self.times[step] = time_of = time_of.plus(ref.seconds, size, frame)
            self.cost_done += self.costs.get(spec.key, 0.0)
            if ref.aside and frame and step in self.order:
                self.say(f"set aside {ref.info.label}: {ref.aside}")
            whole, compiled = now - began, self.compiling.seconds - compiled
            # Mostly compiling, a step has no pace of its own yet.
            rate = time_of.rate(whole - compiled) if compiled < 0.7 * whole else ""
            done = sum(one.tasks for one in self.times.values())
            if self.bars is not None:
                self.bars.update(self.bar_ids[step], completed=time_of.tasks, note=rate)
                self.bars.update(self.bar_ids[""], completed=done, note=self.left())
                return
            finished = time_of.tasks == self.totals[step]
            if finished or now - self.last_line > QUIET:
                self.last_line = now
                count = f"{time_of.tasks} of {self.totals[step]} tasks"
                everything = f"({done} of {sum(self.totals.values())} in all)"
                rest = ", ".join(part for part in (rate, self.left()) if part)
                self.say(f"{step}: {count} {everything} {rest}")

    def _compiles(self, now: bool) -> None:
        if self.bars is not None:
            self.bars.update(self.bar_ids[""], note=COMPILING if now else self.left())
        elif now and self.compiling.loops == 1:
            self.say(f"{COMPILING} ...")

    def say(self, text: str) -> None:
        """A line for people, above the bars."""
        if self.bars is not None:
            self.bars.console.print(text, markup=False, highlight=False)
        else:
            tell(text)
