"""What each step of a run took: tasks, seconds of work, megapixels, and the rates of these."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from coldframe.estimate import megapixels, work_of
from coldframe.planned import Plan
from coldframe.specs import FrameTask, TaskSpec
from coldframe.store import Ref


@dataclass(frozen=True, slots=True)
class StepTime:
    """tasks : done. frames : of them, those that made one frame each. seconds : of work, all
    workers together. megapixels : read by them."""

    tasks: int = 0
    frames: int = 0
    seconds: float = 0.0
    megapixels: float = 0.0

    def plus(self, seconds: float, megapixels: float, frame: bool) -> StepTime:
        """With one more task."""
        return StepTime(
            self.tasks + 1,
            self.frames + frame,
            self.seconds + seconds,
            self.megapixels + megapixels,
        )

    def rate(self, seconds: float) -> str:
        """Speed in words over so many seconds; "" before there is any."""
        if seconds <= 0 or not self.tasks:
            return ""
        if self.megapixels:
            return f"{self.megapixels / seconds:.3g} Mpx/s"
        return f"{self.tasks / seconds:.2g} a second"

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready; rates are of a second of work."""
        pixels, frames = self.megapixels, self.frames
        return {
            "tasks": self.tasks,
            "frames": frames,
            "seconds": round(self.seconds, 3),
            "megapixels": round(pixels, 3),
            "megapixels_per_second": self._per_second(pixels),
            "frames_per_second": self._per_second(frames),
        }

    def _per_second(self, amount: float) -> float | None:
        return round(amount / self.seconds, 3) if amount and self.seconds > 0 else None


class Timings:
    """Counts a run's tasks as they end. Safe to use from threads."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._lock = threading.Lock()
        self.steps: dict[str, StepTime] = {}
        self._spent: dict[str, tuple[float, float]] = {}

    def add(self, spec: TaskSpec, ref: Ref) -> None:
        """One task has ended."""
        size, work = megapixels(spec, self._plan), work_of(spec)
        with self._lock:
            before = self.steps.get(spec.step_id, StepTime())
            frame = isinstance(spec, FrameTask)
            self.steps[spec.step_id] = before.plus(ref.seconds, size, frame)
            seconds, done = self._spent.get(work, (0.0, 0.0))
            self._spent[work] = (seconds + ref.seconds, done + size)

    @property
    def seconds(self) -> Mapping[str, float]:
        """Seconds of work by step."""
        return {step: time.seconds for step, time in self.steps.items()}

    @property
    def spent(self) -> Mapping[str, tuple[float, float]]:
        """Seconds and megapixels by kind of work, for later estimates."""
        return dict(self._spent)
