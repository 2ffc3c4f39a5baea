"""The examples in docs/notes-file.md are read by the parser that the page describes."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from coldframe import notes_values
from coldframe.frame import Kind
from coldframe.notes import HOLD, WIDEST_GAP, Notes
from coldframe.notes_file import parse_notes
from coldframe.notes_units import UNITS

PAGE = (Path(__file__).parents[2] / "docs" / "notes-file.md").read_text(encoding="utf-8")


def example(form: str) -> Notes:
    blocks = re.findall(rf"```{form}\n(.*?)```", PAGE, flags=re.S)
    assert len(blocks) == 1
    return parse_notes(blocks[0], f"notes.{form}")


def test_yaml_example_says_what_the_page_says() -> None:
    notes = example("yaml")
    assert notes.facts["target"] == "Ring of reeds"
    # 21:40 by a clock one hour ahead of UTC, on the date: line's evening.
    assert notes.temperatures[0] == (datetime(2026, 1, 14, 20, 40, tzinfo=UTC), 11.5)
    assert notes.kind_by_glob("darks/IMG_0001.dng") == (Kind.DARK, "darks/*")
    assert notes.verdict("IMG_0107.dng") == "the dew heater was off"
    assert notes.verdict("IMG_0108.dng") == ""


def test_csv_example_says_what_the_page_says() -> None:
    notes = example("csv")
    assert notes.facts == {"filter": "clear"}
    assert [celsius for _, celsius in notes.temperatures] == [11.5, 8.0]
    assert notes.kind_by_file("flats/a.dng") == (Kind.FLAT, "flats/*")
    assert notes.verdict("IMG_0107.dng") == "the dew heater was off"


@pytest.mark.parametrize("fact", sorted(notes_values.FACTS))
def test_every_fact_is_in_the_table(fact: str) -> None:
    table = PAGE[PAGE.index("## Facts") : PAGE.index("## Kinds")]
    assert f"`{fact}`" in table


def test_every_name_that_may_carry_a_unit_is_told_with_its_units() -> None:
    table = PAGE[PAGE.index("| name | units |") : PAGE.index("In a temperature by time")]
    for name, spelled in UNITS.items():
        (line,) = [line for line in table.splitlines() if f"`{name}`" in line]
        shown = re.findall(r"`([^`]+)`", line.split("|")[2])
        assert shown
        assert {spelled[word] for word in shown if word in spelled} == set(spelled.values()), name


def test_every_kind_is_named() -> None:
    assert all(f"`{kind.value}`" in PAGE for kind in Kind)


def test_limits_are_those_of_the_code() -> None:
    assert f"more than {HOLD.total_seconds() / 60:.0f} minutes" in PAGE
    assert f"more than {WIDEST_GAP.total_seconds() / 3600:.0f} hours" in PAGE
