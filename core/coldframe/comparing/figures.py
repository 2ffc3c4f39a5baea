"""What is compared, and the verdicts in plain words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from coldframe.comparing.bootstrap import Interval
from coldframe.report.numbers import number

SMALLEST = 0.005
"""Relative difference below which nothing is called better, however certain it is."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of both stacks.

    word : deeper, sharper or flatter. what : the figure in words. a, b : its values in `unit`,
    lower is better. gain : ln(a / b), so that above 0 B is better. range : of the gain; None where
    no uncertainty can be given.
    """

    word: str
    what: str
    unit: str
    a: float
    b: float
    gain: float
    range: Interval | None

    @property
    def better(self) -> str:
        """A, B, or "" for no difference that is certain and large enough to matter."""
        if self.range is None or not self.range.sure or abs(self.gain) < SMALLEST:
            return ""
        return "B" if self.gain > 0 else "A"

    @property
    def ahead(self) -> str:
        """Which of the two measures better, certain or not: A or B; "" where neither is known to."""
        if not math.isfinite(self.gain) or self.gain == 0:
            return ""
        return "B" if self.gain > 0 else "A"

    def percent(self, gain: float) -> float:
        """By how many per cent the better one is better, with the sign of `gain`: signal to noise
        for depth, else the figure itself. So A is by as much better than B as B is worse."""
        size = abs(gain)
        share = math.expm1(size) if self.word == "deeper" else -math.expm1(-size)
        return math.copysign(100 * share, gain)

    @property
    def lead(self) -> float:
        """By how many per cent the one that is `ahead` is better: 0 or more."""
        return abs(self.percent(self.gain))

    @property
    def lead_range(self) -> tuple[float, float] | None:
        """The interval of `lead`: below 0 the other one is better."""
        if self.range is None:
            return None
        sign = -1.0 if self.ahead == "A" else 1.0
        low, high = sorted(sign * self.percent(g) for g in (self.range.low, self.range.high))
        return low, high

    @property
    def verdict(self) -> str:
        """The outcome in one sentence."""
        if not math.isfinite(self.gain):
            return "not known: it could not be measured in both"
        measures = f"{self.ahead or 'B'} measures {number(self.lead, 2)}% {self.word}"
        if self.lead_range is None or self.range is None:
            return f"{measures}; no interval can be given, so this may be chance"
        if self.gain == self.range.low == self.range.high == 0:
            return "no difference: both measure the same"
        low, high = self.lead_range
        if not self.better:
            seen = "no difference that matters" if self.range.sure else "no difference seen"
            return f"{seen}: {measures} (95% interval {_signed(low)} to {_signed(high)})"
        return (
            f"{self.better} is {number(self.lead, 2)}% {self.word} "
            f"(95% interval {number(low, 2)} to {number(high, 2)}%)"
        )

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        span = self.range
        return {
            "what": self.what,
            "unit": self.unit,
            "a": _plain(self.a),
            "b": _plain(self.b),
            "b_better_percent": _plain(self.percent(self.gain)),
            "interval": None if span is None else [self.percent(span.low), self.percent(span.high)],
            "better": self.better or None,
            "verdict": self.verdict,
        }


def _plain(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _signed(percent: float) -> str:
    text = number(abs(percent), 2)
    return f"{'-' if percent < 0 and text != '0' else '+'}{text}%"


@dataclass(frozen=True, slots=True)
class Comparison:
    """Both stacks of one target and filter.

    lights : in A, in B, in both. stars : in both. notes : what the reader must know.
    """

    name: str
    lights: tuple[int, int, int]
    stars: int
    figures: Sequence[Figure]
    notes: Sequence[str]

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        a, b, both = self.lights
        return {
            "stack": self.name,
            "lights": {"a": a, "b": b, "both": both},
            "stars": self.stars,
            **{figure.word: figure.to_dict() for figure in self.figures},
            "notes": list(self.notes),
        }
