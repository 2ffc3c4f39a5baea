"""docs/changelog.md lists every renamed word and every raised version, once and under one heading."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from coldframe.plugins import find_plugins
from coldframe.renamed import RENAMED

PAGE = (Path(__file__).parents[2] / "docs/changelog.md").read_text(encoding="utf-8")
ROWS = [row.strip("| ").split(" | ") for row in PAGE.splitlines() if row.startswith("| ")]


def _quoted(cell: str) -> list[str]:
    return re.findall(r"`([^`]+)`", cell)


@pytest.mark.parametrize(
    ("place", "old", "new"),
    [(place, old, new) for place, words in RENAMED.items() for old, new in words.items()],
)
def test_a_renamed_word_is_listed_with_its_place(place: str, old: str, new: str) -> None:
    named = re.sub(r"^(command|step|writer) |\..*$", "", place)
    rows = [
        row for row in ROWS if old in _quoted(row[1]) and (" " in place) <= (f"`{named}`" in row[0])
    ]
    if " " in new:  # a sentence took the word's place
        assert rows
    else:
        assert any(
            _quoted(row[1]).index(old) == _quoted(row[2]).index(new)
            for row in rows
            if new in _quoted(row[2])
        ), f"{place}: {old} -> {new}"


def test_every_raised_version_has_its_reason() -> None:
    registry = find_plugins()
    ours = (
        thing
        for what, things in (("step", registry.steps), ("writer", registry.writers))
        for name, thing in things.items()
        if registry.origins[f"{what}:{name}"].package == "coldframe"
    )
    versions = {thing.name: int(thing.version) for thing in ours}
    listed = [(row[0].strip("`"), row[1]) for row in ROWS if row[1].isdigit()]
    assert listed == list(dict.fromkeys(listed))
    raised = {(name, str(n)) for name, last in versions.items() for n in range(2, last + 1)}
    assert set(listed) == raised


def test_headings_are_there_once() -> None:
    heads = re.findall(r"^#+ .*$", PAGE, re.M)
    assert len(heads) == len(set(heads))
