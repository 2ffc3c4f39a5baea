"""The night's forecast of temperatures, and when darks of a temperature can be shot."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from coldframe.errors import UsageError

_POINT = re.compile(r"^\s*(\d{1,2}):(\d{2})\s*[=,;\s]\s*([-+]?\d+(?:\.\d+)?)\s*$")
_STEP = 1.0  # min


@dataclass(frozen=True, slots=True)
class Forecast:
    """Air temperatures in °C at minutes since the first midnight, rising; joined by lines."""

    points: tuple[tuple[float, float], ...]

    def at(self, minute: float) -> float:
        """Air temperature, °C; `minute` must lie within the forecast."""
        for (t0, c0), (t1, c1) in pairwise(self.points):
            if t0 <= minute <= t1:
                return c0 + (c1 - c0) * (minute - t0) / (t1 - t0)
        return self.points[-1][1]

    @property
    def range(self) -> tuple[float, float]:
        """Lowest and highest air temperature, °C."""
        values = [c for _, c in self.points]
        return min(values), max(values)


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of time, in minutes since the first midnight."""

    start: float
    end: float

    @property
    def text(self) -> str:
        """Such as "22:10 to 23:40"."""
        return f"{clock(self.start)} to {clock(self.end)}"


def clock(minute: float) -> str:
    """HH:MM."""
    whole = round(minute)
    return f"{whole // 60 % 24:02d}:{whole % 60:02d}"


def read_forecast(text: str) -> Forecast:
    """A forecast from "21:00=12,03:00=5", or from a file with one such entry a line.

    In a file, lines that begin with # are passed over, and a comma may stand for the =.

    Raises UsageError when it is no forecast.
    """
    named = "=" not in text
    if named:
        try:
            lines = Path(text).read_text(encoding="utf-8-sig").splitlines()
        except (OSError, UnicodeDecodeError) as error:
            why = getattr(error, "strerror", None) or "it is not text"
            raise UsageError(
                f"forecast {text}: neither entries such as 21:00=12,03:00=5 nor a file ({why})"
            ) from None
    else:
        lines = text.split(",")
    points: list[tuple[float, float]] = []
    for number, line in enumerate(lines, 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        found = _POINT.match(line)
        if found is None or int(found[1]) > 23 or int(found[2]) > 59:
            where = f"forecast {text}, line {number}" if named else "forecast"
            raise UsageError(f"{where}: '{line.strip()}' is not HH:MM=DEGREES, such as 21:00=12")
        minute = int(found[1]) * 60.0 + int(found[2])
        while points and minute <= points[-1][0]:
            minute += 24 * 60  # past midnight
        points.append((minute, float(found[3])))
    if len(points) < 2:
        raise UsageError("a forecast needs two times or more, such as 21:00=12,03:00=5")
    return Forecast(tuple(points))


def spans(
    forecast: Forecast, wanted: float, tolerance: float, above: float = 0.0
) -> Sequence[Span]:
    """When the sensor, warmer than the air by `above`, is within `tolerance` of `wanted` (°C)."""
    return tuple(_spans(forecast, wanted, tolerance, above))


def _spans(forecast: Forecast, wanted: float, tolerance: float, above: float) -> Iterator[Span]:
    first, last = forecast.points[0][0], forecast.points[-1][0]
    start: float | None = None
    minute = first
    while minute <= last:
        inside = abs(forecast.at(minute) + above - wanted) <= tolerance + 1e-9
        if inside and start is None:
            start = minute
        if not inside and start is not None:
            yield Span(start, minute - _STEP)
            start = None
        minute += _STEP
    if start is not None:
        yield Span(start, last)
