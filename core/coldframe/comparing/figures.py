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

    def percent(self, gain: float) -> float:
        """By how many per cent B is better: signal to noise for depth, else the figure itself."""
        return 100 * (math.expm1(gain) if self.word == "deeper" else -math.expm1(-gain))

    @property
    def verdict(self) -> str:
        """The outcome in one sentence."""
        if not math.isfinite(self.gain):
            return "not known: it could not be measured in both"
        if self.range is None:
            return (
                f"B measures {_signed(self.percent(self.gain))} {self.word}; "
                "no interval can be given, so this may be chance"
            )
        if self.gain == self.range.low == self.range.high == 0:
            return "no difference: both measure the same"
        if not self.better:
            low, high = (self.percent(g) for g in (self.range.low, self.range.high))
            seen = "no difference that matters" if self.range.sure else "no difference seen"
            return (
                f"{seen}: B measures {_signed(self.percent(self.gain))} {self.word} "
                f"(95% interval {_signed(low)} to {_signed(high)})"
            )
        sign = 1 if self.better == "B" else -1
        value, *ends = (
            self.percent(sign * gain) for gain in (self.gain, self.range.low, self.range.high)
        )
        low, high = sorted(ends)
        return (
            f"{self.better} is {number(value, 2)}% {self.word} "
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
