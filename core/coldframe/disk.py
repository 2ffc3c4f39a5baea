"""Room on disk: what a run will write, whether there is so much, and what to do if not."""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from coldframe.errors import StoreError
from coldframe.footprint import NUMBERS, Footprint
from coldframe.memory import bytes_text
from coldframe.planned import Plan
from coldframe.specs import (
    BandTask,
    DecideTask,
    FrameTask,
    OutputTask,
    ProbeTask,
    StackTask,
    TaskSpec,
)
from coldframe.tidy import KEEP, Tasks, droppable, reads

SPARE = 1.02
"""Planned sizes are exact but for the small files; this much more is asked for."""


@dataclass(frozen=True, slots=True)
class Room:
    """Bytes that a run adds to a store: at most at one time, and when it is done."""

    peak: int
    after: int


@dataclass(frozen=True, slots=True)
class Disk:
    """What a run needs. store : by rule of `KEEP`. output : bytes of the files for people."""

    store: Mapping[str, Room]
    output: int


def plan_disk(plan: Plan, tasks: Tasks, footprint: Footprint) -> Disk:
    """Follow the tasks through in the plan's order and add up what lies in the store."""
    todo = [(key, spec) for key, (spec, _) in plan.tasks.items() if key in tasks]
    sizes = {key: _written(spec, footprint) for key, spec in todo}
    output = sum(sizes[key] for key, spec in todo if isinstance(spec, OutputTask))
    return Disk({rule: _follow(plan, todo, sizes, rule) for rule in KEEP}, output)


def _follow(
    plan: Plan, todo: list[tuple[str, TaskSpec]], sizes: Mapping[str, int], rule: str
) -> Room:
    going = droppable(plan, rule)
    left = Counter(key for _, spec in todo for key in going.intersection(reads(spec, plan)))
    now = peak = 0
    for key, spec in todo:
        if isinstance(spec, OutputTask):
            continue
        now += sizes[key]
        peak = max(peak, now)
        gone = set(getattr(spec, "trial", None) or ())  # goes by itself
        if isinstance(spec, StackTask):
            gone |= set(spec.bands)
        for read in going.intersection(reads(spec, plan)):
            left[read] -= 1
            if not left[read]:
                gone.add(read)
        now -= sum(sizes.get(key, 0) for key in gone)
    return Room(int(peak * SPARE), int(now * SPARE))


def _written(spec: TaskSpec, footprint: Footprint) -> int:
    """Bytes of the files that a task writes."""
    match spec:
        case FrameTask():
            return footprint.size(spec.key).stored + NUMBERS * len(spec.looks)
        case BandTask():
            return footprint.size(spec.stack).stored // spec.parts
        case DecideTask():
            return NUMBERS + 400 * len(spec.members)
        case ProbeTask():
            return NUMBERS
        case OutputTask():
            return footprint.output_bytes(spec)
    return footprint.size(spec.key).stored


def check_disk(disk: Disk, rule: str, store: Path, output: Path) -> None:
    """Raise StoreError, with numbers and ways out, when the run would fill a disk."""
    room = disk.store[rule]
    for place, needed, also in _places(store, room.peak, output, disk.output):
        free = shutil.disk_usage(place).free
        if needed <= free:
            continue
        hints = []
        smaller = [r for r in KEEP if disk.store[r].peak < 0.95 * room.peak]
        if "store" in also and smaller:
            best = min(smaller, key=lambda r: disk.store[r].peak)
            needs = bytes_text(needed - room.peak + disk.store[best].peak)
            hints.append(f"--store-keeps {best} would need {needs}")
        if "store" in also:
            hints.append("--store DIR puts it on another disk")
            hints.append("'coldframe store prune' frees what earlier runs left")
        else:
            hints.append("-o DIR puts the products on another disk")
        raise StoreError(
            f"not enough room for the {also} in {place}: {bytes_text(needed)} needed, {bytes_text(free)} free. "
            + "; ".join(hints)
        )


def _places(
    store: Path, in_store: int, output: Path, in_output: int
) -> list[tuple[Path, int, str]]:
    """Folders that exist, what is needed there, and for what."""
    first, second = _existing(store), _existing(output)
    if first.stat().st_dev == second.stat().st_dev:
        return [(first, in_store + in_output, "store and the products")]
    return [(first, in_store, "store"), (second, in_output, "products")]


def _existing(folder: Path) -> Path:
    return next(place for place in (folder, *folder.resolve().parents) if place.is_dir())
