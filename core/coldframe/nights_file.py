"""A nights file: a YAML list of the folders of many nights, in the order in which they count.

# nights.yaml; folders are told from where this file lies
- 2026-03-14
- 2026-03-15
- ../older/2025-11-02
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from coldframe.errors import Problem, RecipeError, UsageError
from coldframe.yamlpos import load_with_positions

NIGHTS_SCHEMA: Mapping[str, Any] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "Coldframe nights file",
    "description": "Folders of nights, told from where the file lies; the first one leads.",
    "type": "array",
    "minItems": 1,
    "uniqueItems": True,
    "items": {"description": "The folder of one night.", "type": "string", "minLength": 1},
}
"""JSON Schema (draft 2020-12) of a nights file, for editors."""


def read_nights(file: Path) -> tuple[Path, ...]:
    """The folders that a nights file lists, in its order.

    Raises
    ------
    UsageError
        The file cannot be read.
    RecipeError
        Every fault in it, each with its line and column.
    """
    try:
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or error
        raise UsageError(f"cannot read the nights file {file}: {why}") from None
    listed, positions = load_with_positions(text, str(file))
    if not isinstance(listed, list) or not listed:
        said = "a nights file is a YAML list of folders, one a line: - 2026-03-14"
        raise RecipeError([Problem(str(file), 1, 1, said)])
    problems: list[Problem] = []
    nights: dict[Path, Path] = {}
    for place, item in enumerate(listed):
        fault = ""
        if not isinstance(item, str) or not item:
            # YAML takes a bare 2026-03-14 for a date; a folder may well be called so.
            fault = "" if hasattr(item, "isoformat") else f"{item!r} is not the name of a folder"
        if not fault:
            folder = file.parent / Path(str(item)).expanduser()
            if not folder.is_dir():
                fault = f"there is no folder {folder}; folders are told from where this file lies"
            elif folder.resolve() in nights:
                fault = f"{item} is listed twice"
            else:
                nights[folder.resolve()] = folder
        if fault:
            problems.append(Problem(str(file), *positions.value((place,)), fault))
    if problems:
        raise RecipeError(problems)
    return tuple(nights.values())
