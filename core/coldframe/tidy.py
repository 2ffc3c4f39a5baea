"""What a run keeps in its store, and what it lets go as soon as no task needs it any more."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path

from coldframe.frame import Kind
from coldframe.planned import Plan
from coldframe.specs import (
    BlendTask,
    DecideTask,
    FetchTask,
    FrameTask,
    OutputTask,
    ProbeTask,
    StackTask,
    TaskSpec,
)
from coldframe.store import BAND, Store

Tasks = Mapping[str, tuple[TaskSpec, tuple[str, ...]]]

KEEP = {
    "all": "everything, so that a run with other settings or more frames starts from there",
    "masters": "masters and stacks; single frames in between go as soon as they are not needed",
    "results": "what the recipe's outputs name; masters go as well",
}
"""What a store may keep, by the rule's name."""


def reads(spec: TaskSpec, plan: Plan) -> Iterator[str]:
    """Keys of the products whose pixels a task needs."""
    match spec:
        case FrameTask():
            if spec.base:
                yield spec.base
            for op in spec.ops:
                yield from op.masters.values()
        case DecideTask():
            yield from (key for key, _, _ in spec.members)
        case StackTask():  # comes after its bands, and so speaks for them
            yield from reads(plan.tasks[spec.decision][0], plan)
        case BlendTask():
            yield from (spec.cold, spec.warm)
        case ProbeTask():
            for part, keys in spec.keys.items():
                if part == "decision":  # by which it finds the frames
                    for key in keys:
                        yield from reads(plan.tasks[key][0], plan)
                else:
                    yield from keys
        case OutputTask():
            yield spec.product


def droppable(plan: Plan, rule: str) -> set[str]:
    """Keys of the plan's products that do not stay under a rule of `KEEP`."""
    if rule == "all":
        return set()
    specs = {key: spec for key, (spec, _) in plan.tasks.items()}
    kinds: tuple[type, ...] = (FrameTask,)
    if rule == "results":
        kinds = (FrameTask, StackTask, FetchTask, BlendTask)
    found = {key for key, spec in specs.items() if isinstance(spec, kinds)}
    found -= set(plan.targets)
    if rule == "masters":
        found -= {
            key
            for spec in specs.values()
            if isinstance(spec, FrameTask)
            for op in spec.ops
            for key in op.masters.values()
        }
    return found - set(_samples(plan))


def _samples(plan: Plan) -> Iterator[str]:
    """One light of every stack, whose frames stay for the report's pictures."""
    for spec, _ in plan.tasks.values():
        if isinstance(spec, StackTask):
            members = list(reads(spec, plan))
            key = members[len(members) // 2]
            while key in plan.tasks:
                task = plan.tasks[key][0]
                if not isinstance(task, FrameTask) or task.source.kind is not Kind.LIGHT:
                    break
                yield key
                key = task.base


class Tidy:
    """Counts who still needs a product, and drops those that nobody does.

    A product that is dropped loses its pixels; what is known of it stays.
    """

    def __init__(self, plan: Plan, tasks: Tasks, rule: str) -> None:
        self._store, self._plan = Store(plan.store), plan
        self._going = droppable(plan, rule)
        self._tasks = tasks
        self._left = Counter(key for spec, _ in tasks.values() for key in self._wanted(spec))

    def _wanted(self, spec: TaskSpec) -> set[str]:
        return self._going.intersection(reads(spec, self._plan)) if self._going else set()

    def begin(self, output: Path) -> None:
        """Remove what a run that was cut off has left: bands, parts of trials, half-written files."""
        for left in output.glob(".*.part"):
            left.unlink(missing_ok=True)
        for key in self._store.listed(f"*{BAND}"):
            if key not in self._tasks:
                self._store.delete(key)
        for spec, _ in self._plan.tasks.values():
            for key in getattr(spec, "trial", None) or ():  # made for a trial that is over
                if spec.key not in self._tasks and key not in self._tasks:
                    self._store.delete(key)

    def done(self, spec: TaskSpec) -> None:
        """A task is done: what it was the last to need goes."""
        for key in self._wanted(spec):
            self._left[key] -= 1
            if not self._left[key]:
                self._store.drop(key)

    def end(self) -> None:
        """All tasks are done: what nobody needed to begin with goes, and what was made twice."""
        for key in self._going:
            self._store.drop(key)
