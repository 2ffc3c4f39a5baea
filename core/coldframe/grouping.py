"""Which frames belong together."""

from __future__ import annotations

import difflib
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

from coldframe.errors import UsageError
from coldframe.facts import FACTS, SENSOR_FACTS, fact, show
from coldframe.frame import FrameInfo

DEFAULT_TOLERANCES: Mapping[str, float] = {
    "temperature": 2.0,
    "exposure": 0.02,
    "aperture": 0.02,
    "focal_length": 0.02,
}
"""How much members of a group may differ: temperature in °C, the others as a fraction."""

RELATIVE = frozenset({"exposure", "aperture", "focal_length"})
"""Facts whose tolerance is a fraction of the value, not an amount."""


@dataclass(frozen=True, slots=True)
class Group:
    """Frames that belong together.

    members : indices into the given infos. label : for people. info : what the members have in
    common; numbers that were allowed to differ within a tolerance are their mean.
    """

    members: tuple[int, ...]
    label: str
    info: FrameInfo


def group(
    infos: Sequence[FrameInfo],
    per: Sequence[str],
    tolerances: Mapping[str, float] | None = None,
    *,
    sensor: bool = True,
) -> list[Group]:
    """Split frames into groups that agree in every fact of `per`.

    Parameters
    ----------
    infos : the frames.
    per : names of facts (see `coldframe.facts.FACTS`).
    tolerances : allowed spread within a group by fact (see `DEFAULT_TOLERANCES`); a fact that
        has none must be equal. A frame that lacks a fact goes with the others that lack it.
    sensor : also keep camera, size, binning and CFA pattern apart, asked for or not.

    Returns
    -------
    Disjoint groups that cover all frames, ordered by their first member. Which frames end up
    together does not depend on the order they are given in.

    Raises
    ------
    UsageError when `per` names something that is not a fact.
    """
    for name in per:
        if name not in FACTS:
            near = difflib.get_close_matches(name, FACTS, n=1)
            hint = f"; did you mean {near[0]}?" if near else f"; facts are {', '.join(FACTS)}"
            raise UsageError(f"frames cannot be grouped by {name!r}{hint}")
    allowed = {**DEFAULT_TOLERANCES, **(tolerances or {})}
    names = [n for n in FACTS if n in per or (sensor and n in SENSOR_FACTS)]
    parts: list[list[int]] = [list(range(len(infos)))] if infos else []
    # Facts that must be equal go first, so that clusters form among comparable frames only.
    for name in sorted(names, key=lambda n: allowed.get(n, 0) > 0):
        parts = [piece for part in parts for piece in _split(infos, part, name, allowed)]
    parts.sort(key=lambda part: part[0])
    summaries = [common_facts([infos[i] for i in part], allowed) for part in parts]
    labels = _labels(summaries, [n for n in FACTS if n in per], sensor)
    return [
        Group(tuple(part), label, info)
        for part, label, info in zip(parts, labels, summaries, strict=True)
    ]


def _split(
    infos: Sequence[FrameInfo], part: Sequence[int], name: str, allowed: Mapping[str, float]
) -> list[list[int]]:
    tolerance = allowed.get(name, 0)
    values = {i: fact(infos[i], name) for i in part}
    if tolerance <= 0:
        equal: dict[Any, list[int]] = {}
        for i in part:
            equal.setdefault(values[i], []).append(i)
        return list(equal.values())
    unknown = [i for i in part if values[i] is None]
    known = sorted((i for i in part if values[i] is not None), key=lambda i: (values[i], i))
    pieces: list[list[int]] = [unknown] if unknown else []
    lowest = -math.inf
    for i in known:
        if values[i] > _upper(name, lowest, tolerance):
            pieces.append([])
            lowest = values[i]
        pieces[-1].append(i)
    return [sorted(piece) for piece in pieces]


def _upper(name: str, lowest: float, tolerance: float) -> float:
    """The largest value that may share a cluster with `lowest`."""
    if lowest == -math.inf:
        return lowest
    span = lowest * tolerance if name in RELATIVE else tolerance
    return lowest + span + 1e-9 * max(1.0, abs(lowest))


def common_facts(
    infos: Sequence[FrameInfo], tolerances: Mapping[str, float] | None = None
) -> FrameInfo:
    """What frames have in common: equal facts, and means of numbers within a tolerance.

    Black levels are averaged by position, the white level is the lowest, the time is the middle
    one. Anything else that differs is None.
    """
    allowed = {**DEFAULT_TOLERANCES, **(tolerances or {})}
    common: dict[str, Any] = {}
    for f in fields(FrameInfo):
        values = [getattr(info, f.name) for info in infos]
        if all(v == values[0] for v in values):
            common[f.name] = values[0]
        elif f.name in allowed and all(v is not None for v in values):
            low, high = min(values), max(values)
            if high <= _upper(f.name, low, allowed[f.name]):
                common[f.name] = math.fsum(values) / len(values)
    if "black" not in common:
        blacks = [info.black for info in infos if info.black is not None]
        if len(blacks) == len(infos) and len({len(b) for b in blacks}) == 1:
            common["black"] = tuple(math.fsum(v) / len(infos) for v in zip(*blacks, strict=True))
    if "white" not in common:
        whites = [info.white for info in infos if info.white is not None]
        common["white"] = min(whites) if len(whites) == len(infos) else None
    if "start" not in common:
        starts = sorted(info.start for info in infos if info.start is not None)
        common["start"] = starts[len(starts) // 2] if starts else None
    return FrameInfo(**common)


def _labels(infos: Sequence[FrameInfo], per: Sequence[str], sensor: bool) -> list[str]:
    """Facts asked for, and those nobody asked for but which tell two groups apart."""
    varying = [
        name for name in SENSOR_FACTS if sensor and len({fact(info, name) for info in infos}) > 1
    ]
    wanted = [
        name
        for name in FACTS
        if (name == "kind" or name in varying or (name in per and name not in SENSOR_FACTS))
        and any(fact(info, name) is not None for info in infos)
    ]
    labels: list[str] = []
    same: Counter[str] = Counter()
    for info in infos:
        values = [(name, fact(info, name)) for name in wanted]
        parts = [show(name, v) for name, v in values if not (name == "kind" and v is None)]
        label = " · ".join(parts) or "all frames"
        same[label] += 1
        labels.append(f"{label} ({same[label]})" if same[label] > 1 else label)
    return labels
