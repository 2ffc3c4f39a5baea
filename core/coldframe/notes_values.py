"""One value out of a notes file: what it may be, and the words for what is wrong with it.

Every parser takes what the YAML loader or a CSV cell gave and returns the value in Coldframe's own
units, or raises ValueError with a message that ends in an example of what to write.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime, time, timedelta, timezone
from typing import Any

from coldframe.frame import Kind

_CLOCK = re.compile(r"^(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d+)?))?\s*(Z|[+-]\d{2}:?\d{2})?$")
_OFFSET = re.compile(r"^([+-]?)(\d{1,2})(?::?(\d{2}))?$")
_LONGEST_OFFSET = timedelta(hours=14)


def text(value: Any) -> str:
    """A name: filter, optics, target, camera, lens."""
    if isinstance(value, bool) or not isinstance(value, str | int | float) or str(value) == "":
        raise ValueError(f"{value!r} is not a name; write some text, such as 135 mm lens")
    return " ".join(str(value).split())


def number(low: float | None = None, unit: str = "") -> Callable[[Any], float]:
    """A number, at least `low`; the unit is for the message only."""

    def parse(value: Any) -> float:
        try:
            if isinstance(value, bool):
                raise ValueError
            result = float(value)
        except (TypeError, ValueError):
            raise ValueError(f"{value!r} is not a number{unit and f' of {unit}'}") from None
        if not abs(result) < float("inf"):
            raise ValueError(f"{value!r} is not a finite number{unit and f' of {unit}'}")
        if low is not None and result < low:
            raise ValueError(f"{value!r} is less than {low:g}{unit and f' {unit}'}")
        return result

    return parse


def whole(value: Any) -> int:
    """A whole number above zero, such as an ISO setting."""
    result = number()(value)
    if result != int(result) or result < 1:
        raise ValueError(f"{value!r} is not a whole number above 0")
    return int(result)


def truth(value: Any) -> bool:
    """true or false."""
    words = {"true": True, "yes": True, "false": False, "no": False}
    result = words.get(str(value).strip().lower())
    if result is None:
        raise ValueError(f"{value!r} is neither true nor false")
    return result


def kind(value: Any) -> Kind:
    """A frame kind by its trade name."""
    try:
        return Kind(str(value).strip().lower())
    except ValueError:
        raise ValueError(
            f"{value!r} is not a frame kind; write one of {', '.join(k.value for k in Kind)}"
        ) from None


def binning(value: Any) -> tuple[int, int]:
    """2, "2x2" (across x down, as photographers say it) or [2, 2]; returns (y, x)."""
    parts = value if isinstance(value, list) else re.split(r"\s*[x×]\s*", str(value).strip())
    try:
        numbers = [whole(part) for part in parts]
    except ValueError:
        numbers = []
    if len(numbers) not in (1, 2):
        raise ValueError(f"{value!r} is not a binning; write 1 or 2x2")
    return numbers[-1], numbers[0]


def cfa(value: Any) -> str:
    """Four colour letters of the top left 2 x 2, row by row."""
    word = str(value).strip().upper()
    if sorted(word) != ["B", "G", "G", "R"]:
        raise ValueError(f"{value!r} is not a CFA pattern; write one such as RGGB")
    return word


def black(value: Any) -> tuple[float, ...]:
    """One black level, or four in the order of the top left 2 x 2, row by row."""
    parts = value if isinstance(value, list) else str(value).split()
    try:
        levels = tuple(number(unit="ADU")(part) for part in parts)
    except ValueError:
        levels = ()
    if len(levels) not in (1, 4):
        raise ValueError(
            f"{value!r} is not a black level; write 512, or four such as [512, 511, 512, 513]"
        )
    return levels


def day(value: Any) -> date:
    """The date of the evening, such as 2026-01-14."""
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    try:
        return date.fromisoformat(str(value).strip())
    except ValueError:
        raise ValueError(f"{value!r} is not a date; write one such as 2026-01-14") from None


def utc_offset(value: Any) -> timedelta:
    """How far the observer's clock is ahead of UTC: +01:00, -5, or 0."""
    if isinstance(value, int) and not isinstance(value, bool):
        # YAML 1.1 reads an unquoted +10:30 as sixties: 630. No offset has 60 hours.
        result = timedelta(minutes=value) if abs(value) >= 60 else timedelta(hours=value)
    else:
        found = _OFFSET.match(str(value).strip())
        if not found:
            raise ValueError(f"{value!r} is not a clock offset; write one such as +01:00")
        sign, hours, minutes = found.groups()
        result = timedelta(hours=int(hours), minutes=int(minutes or 0))
        result = -result if sign == "-" else result
    if abs(result) > _LONGEST_OFFSET:
        raise ValueError(f"{value!r} is more than 14 hours from UTC; write one such as +01:00")
    return result


def moment(value: Any, evening: date | None, offset: timedelta) -> datetime:
    """A time in UTC.

    A value that carries its own offset (Z, +01:00) is taken as it is; any other is by the
    observer's clock, `offset` ahead of UTC. A time of day alone belongs to the night of `evening`:
    from noon on to that date, before noon to the day after.
    """
    if isinstance(value, datetime):
        return _to_utc(value, offset)
    word = clock_text(value)
    found = _CLOCK.match(word)
    try:
        if not found:
            if len(word) < 16:  # a date alone says no time
                raise ValueError
            return _to_utc(datetime.fromisoformat(word), offset)
        hour, minute, second, zone = found.groups()
        seconds = float(second or 0)
        clock = time(int(hour), int(minute), int(seconds), round(seconds % 1 * 1e6))
    except ValueError:
        raise ValueError(
            f"{value!r} is not a time; write one such as 2026-01-14T21:40, or 21:40 with a date: line"
        ) from None
    if evening is None:
        raise ValueError(
            f"{word!r} has no date; add a line such as date: 2026-01-14 (the date of the evening)"
        )
    local = datetime.combine(evening if clock.hour >= 12 else evening + timedelta(days=1), clock)
    if zone:
        own = timedelta() if zone == "Z" else utc_offset(zone)
        return local.replace(tzinfo=timezone(own)).astimezone(UTC)
    return _to_utc(local, offset)


def _to_utc(value: datetime, offset: timedelta) -> datetime:
    if value.tzinfo is not None:
        return value.astimezone(UTC)
    return (value - offset).replace(tzinfo=UTC)


def clock_text(value: Any) -> str:
    """A time as it was written, however YAML took it."""
    return _undo_sixties(int(value)) if isinstance(value, int | float) else str(value).strip()


def _undo_sixties(value: int) -> str:
    """YAML 1.1 reads an unquoted 21:40 as 1300 and 21:40:05 as 78005: turn them back."""
    minutes, seconds = divmod(value, 60) if value >= 3600 else (value, 0)
    return f"{minutes // 60}:{minutes % 60:02}:{seconds:02}" if value >= 60 else str(value)


FACTS: Mapping[str, Callable[[Any], Any]] = {
    "camera": text,
    "lens": text,
    "optics": text,
    "filter": text,
    "target": text,
    "iso": whole,
    "gain_setting": number(),
    "offset": number(),
    "gain": number(0, "e-/ADU"),
    "read_noise": number(0, "e-"),
    "exposure": number(0, "s"),
    "temperature": number(-273.15, "°C"),
    "aperture": number(0),
    "focal_length": number(0, "mm"),
    "binning": binning,
    "cfa": cfa,
    "black": black,
    "white": number(0, "ADU"),
}
"""Facts a notes file may state, for the whole night or for some files: name -> parser."""
