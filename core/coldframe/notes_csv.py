"""The CSV form of a notes file; the format is described in `coldframe.notes`."""

from __future__ import annotations

from typing import Any

from coldframe import notes_values as values
from coldframe.notes import FileNote, Notes
from coldframe.notes_parser import CLOCK, OWN, READING, Parser, Place, Reading
from coldframe.notes_units import understand, unknown

_COLUMNS = ("file", *READING, *CLOCK, *OWN, *values.FACTS)
_NAMES = ("file", "date", *OWN, "camera", "lens", "optics", "filter", "target", "cfa", "time")
_Row = dict[str, tuple[Any, Place]]


class CsvParser(Parser):
    """Turns a text into Notes, noting every fault."""

    def parse(self, text: str) -> Notes:
        """The notes, without what had a fault (see `problems`)."""
        rows = self._rows(text)
        for row in rows:  # first of all: they say what every bare time in the file means
            self.clock(row)
        facts: dict[str, Any] = {}
        temperatures: list[Reading] = []
        files: list[FileNote] = []
        for row in rows:
            if "file" not in row and "time" in row:
                self.as_reading(row)
            if "file" in row:
                self._only(row, (*OWN, *values.FACTS, "file"), "a row with a file")
                files.append(self.file_note((row["file"][0],), row))
            elif "time" in row or "celsius" in row:
                self._only(row, (*READING, *CLOCK), "a row with a time")
                if "time" in row and "celsius" in row:
                    temperatures += self.reading(row)
                else:
                    place = next(iter(row.values()))[1]
                    self.say(place, "a temperature needs time and celsius")
            else:
                self._only(row, (*CLOCK, *values.FACTS), "a row without a file")
                facts |= self.facts(row)
        return Notes(
            file=self.file,
            facts=facts,
            temperatures=tuple(temperatures),
            utc_offset=self.utc_offset,
            files=tuple(files),
        )

    def _only(self, row: _Row, columns: tuple[str, ...], what: str) -> None:
        for name, (_, place) in row.items():
            if name not in columns:
                self.say(place, f"{what} cannot have {name} too; put it in a row of its own")

    def _rows(self, text: str) -> list[_Row]:
        """The cells that are not empty, by column, with their places."""
        lines = [
            (number, line)
            for number, line in enumerate(text.splitlines(), 1)
            if line.strip() and not line.startswith("#")
        ]
        if not lines:
            return []
        delimiter = max(",;\t", key=lines[0][1].count)
        header = _cells(lines[0], delimiter)
        columns = [understand(cell.strip().lower(), _COLUMNS) for cell, _ in header]
        names = [column.name if column else "" for column in columns]
        for name, (cell, place) in zip(names, header, strict=True):
            if not name:
                self.say(place, f"unknown column '{cell}'{unknown(cell.lower(), _COLUMNS)}")
            elif names.count(name) > 1:
                self.say(place, f"column '{name}' is given more than once")
        rows: list[_Row] = []
        for line in lines[1:]:
            cells = _cells(line, delimiter)
            row: _Row = {}
            for column, (cell, place) in zip(columns, cells, strict=False):
                if cell.strip() and column is not None:
                    word = cell.strip()
                    if delimiter != "," and column.name not in _NAMES:
                        word = word.replace(",", ".")
                    self.take(row, column, word, place)
            for _, place in [c for c in cells[len(names) :] if c[0].strip()][:1]:
                self.say(place, f"more cells than the {len(names)} columns of the first row")
            if row:
                rows.append(row)
        return rows


def _cells(numbered: tuple[int, str], delimiter: str) -> list[tuple[str, Place]]:
    """Split one line; RFC 4180 quotes, but no line breaks inside a cell."""
    number, line = numbered
    cells: list[tuple[str, Place]] = []
    start, quoted = 0, False
    for i, char in enumerate(line + delimiter):
        if char == '"':
            quoted = not quoted
        elif (char == delimiter and not quoted) or i == len(line):
            word = line[start:i].strip()
            if len(word) > 1 and word[0] == word[-1] == '"':
                word = word[1:-1].replace('""', '"')
            cells.append((word, (number, start + 1)))
            start = i + 1
    return cells
