"""What the tasks of a plan cost: seconds of computing, bytes read and written."""

from __future__ import annotations

from collections.abc import Mapping

from coldframe.estimate import megapixels, seconds_of
from coldframe.frame import FrameInfo
from coldframe.planned import Plan
from coldframe.scale.simulate import Job
from coldframe.specs import BandTask, DecideTask, FrameTask, OutputTask, StackTask, TaskSpec

SOURCE = 2  # bytes per pixel of a raw frame
MOSAIC = 5  # of a stored one: float32 and flags
COLOUR = 13
STACK = 50  # with its planes
SURVEY = 50_000  # bytes that a step found in one frame

OPENING = 0.002  # s to open one stored frame and read a band of it, however narrow
DECIDING = 0.003  # s to read what is known of one frame, for a decision about many
"""Measured on one 2-core machine, as the built-in rates are (see `coldframe.estimate`)."""


def job_of(plan: Plan, rates: Mapping[str, float]) -> Job:
    """The plan's tasks with their costs, in the plan's order.

    rates : seconds of one core per megapixel and frame, by kind of work.
    """
    places = {key: place for place, key in enumerate(plan.tasks)}
    sizes: dict[str, float] = {}
    seconds, read, written = [], [], []
    for key, (spec, _) in plan.tasks.items():
        seconds.append(seconds_of(spec, plan, rates) + _counted(spec, plan))
        taken, given = _traffic(spec, plan, sizes)
        read.append(taken)
        written.append(given)
        sizes[key] = given
    needs = [[places[n] for n in needed if n in places] for _, needed in plan.tasks.values()]
    return Job(seconds, read, written, needs)


def _counted(spec: TaskSpec, plan: Plan) -> float:
    """Seconds that go by the number of frames, whatever their size."""
    if isinstance(spec, DecideTask):
        return DECIDING * len(spec.members)
    return OPENING * _members(spec, plan) if isinstance(spec, BandTask) else 0.0


def _members(spec: BandTask, plan: Plan) -> int:
    decision = plan.tasks[spec.decision][0]
    return len(decision.members) if isinstance(decision, DecideTask) else 1


def _traffic(spec: TaskSpec, plan: Plan, sizes: Mapping[str, float]) -> tuple[float, float]:
    """Bytes read and written. sizes : of the products of the tasks before, by key."""
    match spec:
        case FrameTask():
            pixels = float(_pixels(spec.source))
            taken = sizes.get(spec.base, 0.0) if spec.base else SOURCE * pixels
            kept = max(taken, MOSAIC * pixels) if spec.ops else taken
            if spec.source.cfa and any(op.call.use == "register" for op in spec.ops):
                kept = COLOUR * pixels
            return taken, kept + SURVEY * len(spec.looks)
        case DecideTask():
            return SURVEY * len(spec.members), 0.0
        case BandTask():
            first = plan.tasks[spec.decision][0]
            assert isinstance(first, DecideTask)
            pixels = 1e6 * megapixels(spec, plan) / max(1, len(first.members))
            frames = sum(sizes.get(key, 0.0) for key, _, _ in first.members)
            return frames / spec.parts, STACK * pixels
        case StackTask():
            whole = sum(sizes.get(key, 0.0) for key in spec.bands)
            return whole, whole
        case OutputTask():
            whole = sizes.get(spec.product, 0.0)
            return whole, whole / 3
    return 0.0, 0.0


def _pixels(info: FrameInfo) -> int:
    height, width = info.shape or (0, 0)
    return height * width
