"""What a run will cost: seconds, memory and disk, before it runs and while it does."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from coldframe.budget import Need
from coldframe.disk import Disk, plan_disk
from coldframe.footprint import Footprint, needs
from coldframe.frame import FrameInfo
from coldframe.limits import expected_memory, least_memory
from coldframe.planned import Plan, Resources
from coldframe.plugins import Registry
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
from coldframe.tidy import Tasks

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

COMPILING = 33.0
"""Seconds of one core that compiling all loops takes at first use, on one 2-core machine."""

OTHER = 0.1  # s/Mpx of a step nobody has timed yet


@dataclass(frozen=True, slots=True)
class Estimate:
    """Seconds by the clock, with those of compiling at first use; peak bytes of memory, and the least limit that would do; disk."""

    seconds: float
    memory: int
    least_memory: int
    disk: Disk
    compiling: float = 0.0


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
    tasks: Tasks,
    resources: Resources,
    rates: Mapping[str, float],
    registry: Registry,
    first_use: bool = False,
) -> tuple[Estimate, dict[str, Need]]:
    """The cost of the tasks that still have to run, and the memory that each takes."""
    seconds = sum(seconds_of(spec, plan, rates) for spec, _ in tasks.values())
    compiling = COMPILING if first_use and tasks else 0.0
    found = needs(plan, tasks, registry)
    return (
        Estimate(
            (seconds + compiling) / resources.workers,
            expected_memory(found.values(), resources),
            least_memory(found.values(), resources),
            plan_disk(plan, tasks, Footprint(plan, registry)),
            compiling / resources.workers,
        ),
        found,
    )
