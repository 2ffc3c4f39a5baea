"""What the report says of a run, picked out of its record. Pure functions, no pixels."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from coldframe.frame import Kind
from coldframe.report.numbers import number
from coldframe.report.record import FrameRecord, MasterUse, ProductRecord, RunRecord

_NUMBER = re.compile(r"\d+(?:\.\d+)?")


@dataclass(frozen=True, slots=True)
class Result:
    """One stack and what the recipe's last step made of it (the stack itself if nothing)."""

    stack: ProductRecord
    final: ProductRecord


def lights(record: RunRecord) -> list[FrameRecord]:
    """The light frames, used or not, in order of time (those without a time last)."""
    return in_time([frame for frame in record.frames if frame.info.kind is Kind.LIGHT])


def others(record: RunRecord) -> list[FrameRecord]:
    """All frames but the lights: calibration frames, and frames of no known kind."""
    return [frame for frame in record.frames if frame.info.kind is not Kind.LIGHT]


def in_time(frames: Sequence[FrameRecord]) -> list[FrameRecord]:
    """Frames by start time, then path; those without a time come last."""

    def key(frame: FrameRecord) -> tuple[bool, float, str, str]:
        start = frame.info.start
        return start is None, _seconds(start), frame.info.path, frame.id

    return sorted(frames, key=key)


def _seconds(start: datetime | None) -> float:
    # Some plain files give a naive time, some an aware one; both are meant as UTC.
    if start is None:
        return 0.0
    return (start.replace(tzinfo=None) - datetime(2000, 1, 1)).total_seconds()


def exposure(frames: Sequence[FrameRecord]) -> float | None:
    """Total exposure in s, or None when no frame says."""
    known = [f.info.exposure for f in frames if f.info.exposure is not None]
    return sum(known) if known else None


def step_order(record: RunRecord) -> dict[str, int]:
    """Place of each recipe step, by id."""
    return {str(step["id"]): place for place, step in enumerate(record.steps)}


def results(record: RunRecord) -> list[Result]:
    """Each stack of lights with the last product made from the same lights.

    The stack is the earliest product, in the recipe's order, of a set of source frames.
    """
    order = step_order(record)
    by_lights: dict[frozenset[str], list[ProductRecord]] = {}
    light_ids = {frame.id for frame in lights(record)}
    for product in record.products:
        used = light_ids.intersection(product.frames)
        if used:
            by_lights.setdefault(frozenset(used), []).append(product)
    found = []
    for made in by_lights.values():
        made = sorted(made, key=lambda product: order.get(product.step, -1))
        found.append(Result(made[0], made[-1]))
    return found


def calibrated(record: RunRecord, frame: FrameRecord) -> str | None:
    """Store key of a light just after the step that takes masters."""
    takers = [str(step["id"]) for step in record.steps if step.get("masters")]
    return next((frame.products[step] for step in takers if step in frame.products), None)


def before_stack(record: RunRecord, frame: FrameRecord, stack: ProductRecord) -> str | None:
    """Store key of what this light went into the stack as."""
    order = step_order(record)
    limit = order.get(stack.step, len(order))
    ids = [step for step in frame.products if order.get(step, -1) < limit]
    return frame.products[max(ids, key=lambda step: order.get(step, -1))] if ids else None


def reasons(frames: Sequence[FrameRecord]) -> dict[str, list[FrameRecord]]:
    """Set-aside frames by reason, the most common first.

    Reasons that differ in their numbers only are one, in the words of the first frame.
    """
    found: dict[str, list[FrameRecord]] = {}
    words: dict[str, str] = {}
    for frame in frames:
        if not frame.used:
            reason = frame.reason or "no reason recorded"
            first = words.setdefault(_NUMBER.sub("#", reason), reason)
            found.setdefault(first, []).append(frame)
    return dict(sorted(found.items(), key=lambda item: -len(item[1])))


def missing_masters(record: RunRecord) -> dict[str, list[FrameRecord]]:
    """Used lights that met no master of a kind that the recipe asks for, by kind."""
    kinds = {master.step: master.info.kind for master in record.masters}
    takers = [step for step in record.steps if step.get("masters")]
    seen = {step for frame in lights(record) for step in frame.products}
    # Flats may have a step of their own that takes masters. Where nothing tells which step the
    # lights went through, it is the last: a recipe makes its masters before it uses them.
    for_lights = [step for step in takers if step["id"] in seen] or takers[-1:]
    wanted: list[str] = []
    for step in for_lights:
        for name in step["masters"]:
            kind = kinds.get(str(name))
            wanted.append(kind.value if kind else _as_kind(str(name)))
    found: dict[str, list[FrameRecord]] = {}
    for want in dict.fromkeys(wanted):
        without = [
            frame
            for frame in lights(record)
            if frame.used and want not in {use.kind for use in frame.masters}
        ]
        if without:
            found[want] = without
    return found


def _as_kind(name: str) -> str:
    """A step id such as "dark_flat" as the kind it names; any other id as it stands."""
    plain = name.replace("_", "-").lower()
    for kind in Kind:
        if plain in (kind.value, kind.value.replace("-", "")):
            return kind.value
    return name


def worst_uses(record: RunRecord) -> dict[str, tuple[FrameRecord, MasterUse]]:
    """The used light that each master suits least, by product id."""
    found: dict[str, tuple[FrameRecord, MasterUse]] = {}
    for frame in lights(record):
        for use in frame.masters if frame.used else ():
            if use.product not in found or use.total > found[use.product][1].total:
                found[use.product] = frame, use
    return found


def measure_names(frames: Sequence[FrameRecord], first: Sequence[str]) -> list[str]:
    """Names of every measure that any frame has: those in `first`, then the rest by name."""
    present = {name for frame in frames for name in frame.measures}
    return [n for n in first if n in present] + sorted(present.difference(first))


def master_uses(record: RunRecord) -> Mapping[str, Sequence[FrameRecord]]:
    """The used frames that each master served, by product id."""
    found: dict[str, list[FrameRecord]] = {}
    for frame in record.frames:
        for use in frame.masters if frame.used else ():
            found.setdefault(use.product, []).append(frame)
    return found


def sureness(measures: Mapping[str, float]) -> list[str]:
    """How sure what a background fit removed is, in words; nothing where it was not measured."""
    error, of_object = measures.get("background_error"), measures.get("object_error")
    words = [] if error is None else [f"sky removed: ± {number(error, 2)} ADU"]
    if of_object is not None:
        words.append(f"the object in it: ± {number(of_object, 2)} %")
    left = measures.get("background_left")
    if left is not None:
        words.append(f"bend of {number(left, 2)} ADU left, it may be the object's")
    return words
