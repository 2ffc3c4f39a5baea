"""The masters that serve a frame, found quickly among many: the same answer as `serving.serve`.

Frames that differ in temperature, time and night only share one table of how far every master is
off in everything else; each frame then adds its own part to whole columns of that table, and only
the masters that can come first are compared in full.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import numpy as np

from coldframe.frame import Array, FrameInfo, Kind
from coldframe.matching import DIGITS, fit_reach, rules_for, settled
from coldframe.serving import (
    OTHER_NIGHT_COST,
    Candidate,
    Served,
    Shelf,
    eligible,
    serve_kind,
)

FEW = 4  # candidates that are quicker compared one by one
SAME = 1e-9  # days; what is closer than this in time is compared in full


class Nearest:
    """Serves the frames of one step.

    by_kind : candidates by kind. rules : the step's `match:` block.
    """

    def __init__(
        self,
        by_kind: Mapping[Kind, Sequence[Candidate]],
        rules: Mapping[str, Mapping[str, Any]],
        shelf: Shelf | None = None,
    ) -> None:
        self._by_kind, self._rules, self._shelf = by_kind, rules, shelf
        self._tables: dict[tuple[Any, ...], _Table] = {}
        # Bias first: whether a dark may be scaled depends on it.
        self._kinds = sorted(by_kind, key=lambda kind: kind is not Kind.BIAS)

    def serve(self, frame: FrameInfo) -> list[Served]:
        """The best master of each kind; `candidates` and `ranked` hold those that could win."""
        out: list[Served] = []
        bias = False
        alike = _settled_facts(frame)
        for kind in self._kinds:
            key = (kind, bias, *alike)
            if key not in self._tables:
                self._tables[key] = _Table.of(
                    frame, kind, self._by_kind[kind], self._rules.get(kind.value, {}), bias
                )
            table = self._tables[key]
            rule = self._rules.get(kind.value, {})
            served = serve_kind(frame, kind, table.first(frame), rule, bias, self._shelf)
            if (served.chosen is None or served.found.fitted) and rule.get("interpolate"):
                # A blend is made of two masters that are not the nearest for themselves.
                served = serve_kind(frame, kind, table.candidates, rule, bias, self._shelf)
            bias = bias or (kind is Kind.BIAS and served.chosen is not None)
            out.append(served)
        return out


def _settled_facts(frame: FrameInfo) -> tuple[Any, ...]:
    """All that `settled` looks at."""
    return (
        frame.kind, frame.camera, frame.shape, frame.binning, frame.cfa, frame.filter, frame.iso,
        frame.gain_setting, frame.offset, frame.optics, frame.lens, frame.aperture,
        frame.focal_length, frame.exposure, frame.black, frame.overscan,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Table:
    """Candidates and how they compare with frames alike; arrays run by candidate, (n,).

    total, wrong, beyond : as far as they do not depend on temperature, time and night.
    temperature (°C), start (s) : NaN where not known. age : most days, NaN without limit. reach :
    most that the temperature may be off, °C.
    """

    candidates: tuple[Candidate, ...]
    total: Array
    wrong: Array
    beyond: Array
    temperature: Array
    start: Array
    age: Array
    nights: tuple[str | None, ...]
    belongs: tuple[str, ...]
    own: Array  # what a candidate costs whichever frame it serves
    warmth: float | None  # tolerance of temperature, °C; None where it does not count
    reach: Array
    costs: dict[str | None, Array] = field(default_factory=dict)  # by the frame's night

    @classmethod
    def of(
        cls,
        frame: FrameInfo,
        kind: Kind,
        candidates: Sequence[Candidate],
        rule: Mapping[str, Any],
        bias: bool,
    ) -> _Table:
        full = rules_for(kind, rule)
        near = tuple(c for c in candidates if eligible(frame, c))
        seen = [settled(frame, kind, c.info, full, bias) for c in near]
        limits = [
            [days for days in (full["age_days"], c.age_days) if days is not None] for c in near
        ]
        return cls(
            candidates=near,
            total=np.array([s.total for s in seen]),
            wrong=np.array([len(s.wrong) for s in seen]),
            beyond=np.array([len(s.beyond) for s in seen]),
            temperature=np.array([_number(c.info.temperature) for c in near]),
            start=np.array([_seconds(c.info.start) for c in near]),
            age=np.array([min(known) if known else math.nan for known in limits]),
            nights=tuple(c.info.night for c in near),
            belongs=tuple(c.night for c in near),
            own=np.array([c.own_cost for c in near]),
            warmth=None if kind is Kind.FLAT else float(full["temperature"]),
            reach=np.array(
                [0.0 if kind is Kind.FLAT else fit_reach(frame, c.info, full, bias) for c in near]
            ),
        )

    def first(self, frame: FrameInfo) -> Sequence[Candidate]:
        """The candidates that can come first for this frame, in their order."""
        if len(self.candidates) <= FEW:
            return self.candidates
        days = self._days(frame)
        total = self.total + self._cost(frame.night)
        beyond = self.beyond
        if self.warmth is not None:
            off = np.abs(self.temperature - _number(frame.temperature))
            total, beyond = _add(total, beyond, off, self.warmth, self.reach)
            if frame.temperature is None:
                total = total - np.isnan(self.temperature)  # unknown on both sides costs nothing
        counted = ~np.isnan(self.age)
        older, worse = _add(total, beyond, days, np.where(counted, self.age, 1.0))
        total, beyond = np.where(counted, older, total), np.where(counted, worse, beyond)
        rank = self.wrong * 1000 + beyond
        able = rank == rank.min()
        total = np.round(total, DIGITS)
        able &= total == total[able].min()
        days = np.where(np.isnan(days), math.inf, days)
        able &= days <= days[able].min() + SAME
        return [self.candidates[i] for i in np.flatnonzero(able)]

    def _cost(self, night: str | None) -> Array:
        """As `Candidate.cost`, by candidate."""
        if night not in self.costs:
            other = [bool(own) and own != night for own in self.belongs]
            self.costs[night] = self.own + OTHER_NIGHT_COST * np.array(other)
        return self.costs[night]

    def _days(self, frame: FrameInfo) -> Array:
        """Days to each candidate, as `matching` counts them; NaN where nothing tells."""
        days: Array = np.abs(self.start - _seconds(frame.start)) / 86400
        unknown = np.flatnonzero(np.isnan(days)) if frame.night is not None else ()
        for i in unknown:
            if self.nights[i] == frame.night:
                days[i] = 0.0
        return days


def _add(
    total: Array,
    beyond: Array,
    off: Array,
    tolerance: Array | float,
    reach: Array | None = None,
) -> tuple[Array, Array]:
    """Totals and counts of facts beyond tolerance, with one more fact; NaN: known on one side.

    reach : how far off a candidate may be, where that is not the tolerance.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(off == 0, 0.0, off / tolerance)
    unknown = np.isnan(off)
    most = np.asarray(tolerance) if reach is None else reach
    over = ~unknown & (off > most * (1 + 1e-9))
    return total + np.where(unknown, 1.0, share), beyond + over


def _number(value: float | None) -> float:
    return math.nan if value is None else value


def _seconds(start: datetime | None) -> float:
    """Seconds since 1970; a time without a zone is UTC, and a zone is not looked at."""
    return math.nan if start is None else start.replace(tzinfo=UTC).timestamp()
