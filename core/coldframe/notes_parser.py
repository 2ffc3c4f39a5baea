"""What the YAML and the CSV form of a notes file share: faults gathered, values checked."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime, timedelta
from typing import Any

from coldframe import notes_values as values
from coldframe.errors import Problem
from coldframe.notes import FileNote
from coldframe.notes_units import Understood

Place = tuple[int, int]  # 1-based line and column
Reading = tuple[datetime, float]
CLOCK = ("date", "utc_offset")
READING = ("time", "celsius")
OWN = ("kind", "leave_out", "use_anyway")
"""Keys of an entry of `files` that are no facts."""

_OWN_PARSERS: Mapping[str, Callable[[Any], Any]] = {
    "kind": values.kind,
    "leave_out": values.text,
    "use_anyway": values.truth,
}


class Parser:
    """Gathers problems instead of stopping at the first, and knows the observer's clock."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self.evening: date | None = None
        self.utc_offset: timedelta | None = None

    def say(self, place: Place, message: str) -> None:
        """Note a fault."""
        self.problems.append(Problem(self.file, *place, message))

    def take(
        self, items: dict[str, tuple[Any, Place]], said: Understood, value: Any, place: Place
    ) -> None:
        """Put a value among the items, under the name and in the unit that is kept."""
        if said.name in items:
            line = items[said.name][1][0]
            self.say(place, f"'{said.name}' is given twice, first on line {line}; keep one of them")
            return
        try:
            items[said.name] = (said.convert(value), place)
        except ValueError as error:
            self.say(place, str(error))

    def as_reading(self, items: dict[str, tuple[Any, Place]]) -> None:
        """In a temperature by time, `temperature` means `celsius`."""
        if "temperature" in items:
            value, place = items.pop("temperature")
            self.take(items, Understood("celsius", lambda given: given), value, place)

    def values(
        self,
        parsers: Mapping[str, Callable[[Any], Any]],
        items: Mapping[str, tuple[Any, Place]],
    ) -> dict[str, Any]:
        """The items that have a parser, parsed; those with a fault are noted and left out."""
        out: dict[str, Any] = {}
        for name, (value, place) in items.items():
            if name in parsers:
                try:
                    out[name] = parsers[name](value)
                except ValueError as error:
                    self.say(place, str(error))
        return out

    def clock(self, items: Mapping[str, tuple[Any, Place]]) -> None:
        """Take date and utc_offset: they say what every bare time in the file means."""
        found = self.values({"date": values.day, "utc_offset": values.utc_offset}, items)
        self.evening = found.get("date", self.evening)
        self.utc_offset = found.get("utc_offset", self.utc_offset)

    def facts(self, items: Mapping[str, tuple[Any, Place]]) -> dict[str, Any]:
        """The frame facts among the items."""
        return self.values(values.FACTS, items)

    def reading(self, items: Mapping[str, tuple[Any, Place]]) -> tuple[Reading, ...]:
        """One temperature at a time; nothing when either has a fault."""
        offset = self.utc_offset or timedelta()
        found = self.values(
            {
                "time": lambda value: values.moment(value, self.evening, offset),
                "celsius": values.FACTS["temperature"],
            },
            items,
        )
        return ((found["time"], found["celsius"]),) if len(found) == 2 else ()

    def file_note(self, globs: tuple[str, ...], items: Mapping[str, tuple[Any, Place]]) -> FileNote:
        """An entry about some files."""
        own = self.values(_OWN_PARSERS, items)
        return FileNote(globs, self.facts(items), **own)
