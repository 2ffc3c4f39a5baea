"""What a run will cost: seconds, memory and disk, before it runs and while it does."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from coldframe.frame import FrameInfo
from coldframe.planned import Plan, Resources
from coldframe.product import atomic
from coldframe.specs import (
    BandTask,
    BlendTask,
    DecideTask,
    FetchTask,
    FrameTask,
    OutputTask,
    ProbeTask,
    StackTask,
    TaskSpec,
)

BUILT_IN: Mapping[str, float] = {
    "read": 0.02,
    "calibrate": 0.03,
    "register": 0.45,
    "combine": 0.012,
    "integrate": 0.03,
    "background-fit": 0.25,
    "output": 0.25,
}
"""Seconds of one core per megapixel and frame, measured on one 2-core machine; each run's own
figures replace them in its store."""

OTHER = 0.1  # s/Mpx of a step nobody has timed yet

BYTES_MOSAIC = 22  # peak bytes per pixel of a frame task that stays a mosaic
BYTES_COLOUR = 60  # the same when it becomes a colour frame


@dataclass(frozen=True, slots=True)
class Estimate:
    """Seconds by the clock, peak bytes of memory, bytes written to the store."""

    seconds: float
    memory: int
    disk: int


def load_rates(store: Path) -> dict[str, float]:
    """Built-in rates, replaced by what earlier runs in this store measured."""
    try:
        measured = json.loads((store / "rates.json").read_text())
        return {**BUILT_IN, **{str(k): float(v) for k, v in measured.items()}}
    except (OSError, ValueError, TypeError, AttributeError):
        return dict(BUILT_IN)


def save_rates(store: Path, spent: Mapping[str, tuple[float, float]]) -> None:
    """Keep measured rates. spent : by kind of work, seconds and megapixels."""
    rates = {**load_rates(store)}
    rates |= {what: seconds / mpx for what, (seconds, mpx) in spent.items() if mpx > 0}
    with atomic(store / "rates.json", durable=False) as temporary:
        temporary.write_text(json.dumps(rates, sort_keys=True, indent=1))


def work_of(spec: TaskSpec) -> str:
    """The name under which this task's rate is kept."""
    if isinstance(spec, FrameTask):
        return spec.ops[-1].call.use if spec.ops else "read"
    if isinstance(spec, FetchTask | BlendTask):
        return "library"
    if isinstance(spec, ProbeTask):
        return f"probe {spec.probe}"
    return "output" if isinstance(spec, OutputTask) else spec.call.use


def megapixels(spec: TaskSpec, plan: Plan) -> float:
    """Pixels a task works through, in millions."""
    if isinstance(spec, FrameTask):
        return _pixels(spec.source) / 1e6
    if isinstance(spec, BandTask):
        decision = plan.tasks[spec.decision][0]
        assert isinstance(decision, DecideTask)
        first = plan.tasks.get(decision.members[0][0])
        source = first[0].source if first and isinstance(first[0], FrameTask) else FrameInfo()
        return _pixels(source) * len(decision.members) / spec.parts / 1e6
    if isinstance(spec, ProbeTask):
        return sum(_pixels(info) for info, _ in spec.sources) / 1e6
    return 0.0


def seconds_of(spec: TaskSpec, plan: Plan, rates: Mapping[str, float]) -> float:
    """Expected seconds of one core."""
    if isinstance(spec, StackTask | FetchTask | BlendTask):
        return 0.5
    if isinstance(spec, OutputTask):
        return 1.0
    return megapixels(spec, plan) * rates.get(work_of(spec), OTHER) + 0.01


def _pixels(info: FrameInfo) -> int:
    height, width = info.shape or (0, 0)
    return height * width


def estimate(
    plan: Plan,
    tasks: Mapping[str, tuple[TaskSpec, tuple[str, ...]]],
    resources: Resources,
    rates: Mapping[str, float],
) -> Estimate:
    """The cost of the tasks that still have to run."""
    seconds = sum(seconds_of(spec, plan, rates) for spec, _ in tasks.values())
    disk = 0
    for spec, _ in tasks.values():
        pixels = _pixels(spec.source) if isinstance(spec, FrameTask) else 0
        if isinstance(spec, FrameTask):
            per_pixel = 3 if not spec.ops else (13 if _becomes_colour(spec) else 5)
            disk += pixels * per_pixel
        elif isinstance(spec, BandTask):
            decision = plan.tasks[spec.decision][0]
            members = len(decision.members) if isinstance(decision, DecideTask) else 1
            disk += int(megapixels(spec, plan) * 1e6 / max(1, members)) * 20
    frames = [spec for spec, _ in tasks.values() if isinstance(spec, FrameTask)]
    frame_peak = max((frame_bytes(spec) for spec in frames), default=0)
    bands = any(isinstance(spec, BandTask) for spec, _ in tasks.values())
    memory = max(
        frame_peak * min(resources.workers, max(1, len(frames))),
        resources.memory // 2 if bands and frame_peak == 0 else 0,
    )
    return Estimate(seconds / resources.workers, memory, disk)


def frame_bytes(spec: FrameTask) -> int:
    """Peak memory of one frame task."""
    return _pixels(spec.source) * (BYTES_COLOUR if _becomes_colour(spec) else BYTES_MOSAIC)


def _becomes_colour(spec: FrameTask) -> bool:
    return bool(spec.source.cfa) and any(op.call.use in ("register", "demosaic") for op in spec.ops)


def fitting_workers(plan: Plan, resources: Resources) -> int:
    """How many frame tasks fit in memory at once."""
    peak = max(
        (frame_bytes(spec) for spec, _ in plan.tasks.values() if isinstance(spec, FrameTask)),
        default=1,
    )
    return max(1, min(resources.workers, resources.memory // max(1, peak)))
