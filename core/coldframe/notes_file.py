"""Reads a folder's notes file, YAML or CSV; the format is described in `coldframe.notes`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from coldframe.errors import Problem, RecipeError
from coldframe.notes import FILE_NAMES, Notes
from coldframe.notes_csv import CsvParser
from coldframe.notes_yaml import YamlParser

_LONGEST_FILE = 4_000_000  # bytes; a season of temperatures a minute apart is less


def read_notes(folder: Path) -> Notes | None:
    """The notes in this folder, or None when there are none.

    Raises
    ------
    RecipeError
        Every fault in the folder's notes files, each with its line and column.
    """
    found: list[Notes] = []
    problems: list[Problem] = []
    for name in FILE_NAMES:
        path = folder / name
        if path.is_file():
            try:
                found.append(parse_notes(_text(path), str(path)))
            except RecipeError as error:
                problems += error.problems
    if len(found) == 2:
        both = sorted(set(found[0].facts) & set(found[1].facts))
        problems += [
            Problem(
                found[1].file, 1, 1, f"'{name}' is given in {FILE_NAMES[0]} too; keep it in one"
            )
            for name in both
        ]
    if problems:
        raise RecipeError(problems)
    if len(found) < 2:
        return found[0] if found else None
    first, second = found
    return Notes(
        file=first.file,
        facts={**first.facts, **second.facts},
        temperatures=tuple(sorted(first.temperatures + second.temperatures)),
        utc_offset=second.utc_offset if first.utc_offset is None else first.utc_offset,
        kinds=first.kinds + second.kinds,
        files=first.files + second.files,
    )


def parse_notes(text: str, file: str) -> Notes:
    """The notes in a text; CSV when the file's name ends in .csv, else YAML.

    Raises RecipeError with every fault.
    """
    parser = CsvParser(file) if file.lower().endswith(".csv") else YamlParser(file)
    notes = parser.parse(text)
    if parser.problems:
        raise RecipeError(sorted(parser.problems, key=lambda p: (p.line, p.column)))
    return replace(notes, temperatures=tuple(sorted(notes.temperatures)))


def _text(path: Path) -> str:
    try:
        with path.open("rb") as handle:
            raw = handle.read(_LONGEST_FILE + 1)
        if len(raw) > _LONGEST_FILE:
            raise RecipeError([Problem(str(path), 1, 1, "is larger than 4 MB: not a notes file")])
        return raw.decode("utf-8-sig")
    except OSError as error:
        raise RecipeError([Problem(str(path), 1, 1, f"cannot be read: {error.strerror}")]) from None
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise RecipeError(
            [Problem(str(path), line, 1, "not UTF-8 text; save it as UTF-8")]
        ) from None
