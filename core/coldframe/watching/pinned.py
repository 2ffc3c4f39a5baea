"""Frames for the growing picture: each made once, by decisions that later frames do not change.

In a run a group decides together, over all its frames: which is the reference, how each is
treated. In a growing night that would do every frame again for each new one. Here the first good
frame decides, and every later one is decided on by itself: for an anchored step it goes by the
first one's decision, for any other the two are a group.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coldframe.errors import SetAside
from coldframe.frame import Frame, FrameInfo, Kind
from coldframe.planned import Plan
from coldframe.specs import DecideTask, FrameTask, Op, StackTask, guarded, need
from coldframe.step import FrameStep, Numbers, Row
from coldframe.store import Store
from coldframe.tasks import apply_op


@dataclass(frozen=True, slots=True)
class Member:
    """A light of a stack as the plan has it. needs : keys that the engine makes for it, none of
    which depends on any other light."""

    spec: FrameTask
    needs: tuple[str, ...]
    masters: bool

    @property
    def info(self) -> FrameInfo:
        """Facts of the light."""
        return self.spec.source


def light_stacks(plan: Plan) -> dict[str, list[Member]]:
    """Members of every stack of lights, by the stack's label."""
    out: dict[str, list[Member]] = {}
    for spec, _ in plan.tasks.values():
        if not isinstance(spec, StackTask):
            continue
        decision = plan.tasks[spec.decision][0]
        assert isinstance(decision, DecideTask)
        members = [plan.tasks[key][0] for key, _, _ in decision.members]
        lights = [
            one for one in members if isinstance(one, FrameTask) and one.source.kind is Kind.LIGHT
        ]
        if lights:
            out[spec.label] = [_member(one, plan) for one in lights]
    return out


def _member(spec: FrameTask, plan: Plan) -> Member:
    """What must be there before the frame's own chain: its base, its masters, its surveys."""
    decided = any(op.decision for op in spec.ops)
    if not decided:
        return Member(spec, (spec.key,), _served(spec, plan))
    keys = [spec.base, *(key for op in spec.ops for key in op.masters.values())]
    return Member(spec, tuple(dict.fromkeys(filter(None, keys))), _served(spec, plan))


def _served(spec: FrameTask, plan: Plan) -> bool:
    """Whether any master serves the light, here or in the frames it is made of."""
    while True:
        if any(op.masters for op in spec.ops):
            return True
        base = plan.tasks.get(spec.base)
        if base is None or not isinstance(base[0], FrameTask):
            return False
        spec = base[0]


class Pins:
    """The decisions of first frames. told : by step and group, the survey they were made from, by
    which they can be made again after a restart; kept with the picture."""

    def __init__(self, store: Store, told: dict[str, dict[str, str]]) -> None:
        self._store, self.told = store, told
        self._numbers: dict[str, Numbers] = {}

    def frame(self, member: Member, plan: Plan) -> Frame:
        """The light on the picture's pixels.

        Raises SetAside when it cannot be used, StepError when nothing can be decided yet.
        """
        spec = member.spec
        if not any(op.decision for op in spec.ops):
            ref = need(self._store, spec.key)
            if ref.aside:
                raise SetAside(ref.aside)
            return self._store.frame(spec.key)
        base = need(self._store, spec.base)
        if base.aside:
            raise SetAside(base.aside)
        frame = self._store.frame(spec.base)
        for op in spec.ops:
            decided = self._decided(op, plan) if op.decision else None
            frame = apply_op(op, frame, self._store, decided)
        return frame

    def _decided(self, op: Op, plan: Plan) -> tuple[Numbers, int]:
        """The decision that this frame goes by, and its place in it."""
        task = plan.tasks[op.decision][0]
        assert isinstance(task, DecideTask)
        step = op.call.make()
        assert isinstance(step, FrameStep)
        own = self._row(op.came_from, op.survey)
        place = f"{task.step_id} {task.label}"
        pin = self.told.get(place)
        if pin is None:
            numbers = self._decide(op, task, [own], {})
            self.told[place] = {"frame": op.came_from, "survey": op.survey}
            self._numbers[place] = numbers
            return numbers, 0
        if pin["frame"] == op.came_from:
            return self._first(place, op, task), 0
        if step.anchored:
            return self._decide(op, task, [own], self._first(place, op, task)), 0
        return self._decide(op, task, [self._row(pin["frame"], pin["survey"]), own], {}), 1

    def _first(self, place: str, op: Op, task: DecideTask) -> Numbers:
        if place not in self._numbers:
            pin = self.told[place]
            row = self._row(pin["frame"], pin["survey"])
            self._numbers[place] = self._decide(op, task, [row], {})
        return self._numbers[place]

    def _decide(self, op: Op, task: DecideTask, rows: Sequence[Row], anchor: Numbers) -> Numbers:
        step = op.call.make()
        assert isinstance(step, FrameStep)
        context = op.call.context(op.decision, decision=anchor)
        numbers = guarded(op.call, task.label, step.decide, rows, context)
        return {name: np.asarray(value, np.float64) for name, value in numbers.items()}

    def _row(self, frame: str, survey: str) -> Row:
        seen = need(self._store, survey)
        if seen.aside:
            raise SetAside(seen.aside)
        ref = self._store.get(frame)
        measures = {**(ref.measures if ref else {}), **seen.measures}
        return Row(info=seen.info, measures=measures, survey=self._store.numbers(survey))
