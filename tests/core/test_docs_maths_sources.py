"""Every formula and number of docs/maths.md says where it comes from."""

import re
from fractions import Fraction
from pathlib import Path

import pytest

from coldframe import kinds

PAGE = Path(__file__).parents[2] / "docs" / "maths.md"

SOURCED = re.compile(
    r"\b(?:1[89]|20)\d\d\b"  # a year: a paper, a book, an edition of a standard
    r"|EMVA Standard|NIST/SEMATECH"
    r"|common practice, no source|our own choice"
    r"|by definition|as above|follows from|\]\(#",  # said where it first stands
    re.IGNORECASE,
)
"""Marks of a block that says where it comes from."""

TELLS = re.compile(r"\d+\.\d|[√Σσπ]|\d+ ?%|±|\b\d+ (?:px|σ|sigma|s|°C)\b|=")
"""Marks of a block that has a formula or a constant in it."""


def blocks(text: str) -> list[tuple[int, str]]:
    """(line, text) of each paragraph or list item, with the formulas that are set off below it.

    A head with "Source of this section" speaks for all that follows it there.
    """
    found: list[tuple[int, list[str]]] = []
    fresh, whole = True, ""
    for number, line in enumerate(text.splitlines(), 1):
        if line.startswith("#"):
            fresh, whole = True, ""
        elif line.startswith("- ") or (line.strip() and fresh and not line.startswith((" ", "|"))):
            if "Source of this section" in line:
                whole = "as the section's head says: as above"
            found.append((number, [line, whole]))
            fresh = False
        elif line.strip():
            found[-1][1].append(line)
        else:
            fresh = True
    return [(number, "\n".join(lines)) for number, lines in found]


BLOCKS = [
    (number, text)
    for number, text in blocks(PAGE.read_text(encoding="utf-8"))
    if TELLS.search(text)
]


@pytest.mark.parametrize(("line", "text"), BLOCKS, ids=[str(line) for line, _ in BLOCKS])
def test_a_formula_or_number_says_where_it_comes_from(line, text):
    assert SOURCED.search(text), (
        f"maths.md:{line} names no paper, standard or definition, and does not say "
        f"'common practice, no source' or 'our own choice, measured here': {text[:120]}"
    )


def test_a_block_without_a_source_is_found():
    [(_, text)] = blocks("## Head\n\n- **Thing:** x = 2.5 σ.\n")
    assert TELLS.search(text)
    assert not SOURCED.search(text)


def test_common_practice_is_said_in_full():
    bare = [
        number
        for number, line in enumerate(PAGE.read_text(encoding="utf-8").splitlines(), 1)
        for _ in re.finditer(r"common practice(?!, no source|\" marks)", line, re.IGNORECASE)
    ]
    assert not bare, f"maths.md lines {bare}: write 'common practice, no source'"


LIMITS = {name: value for name, value in vars(kinds).items() if name.isupper()}


@pytest.mark.parametrize("name", LIMITS)
def test_limits_of_recognising_kinds_stand_on_the_page_as_they_are(name):
    said = re.search(rf"\| `{name}` \| ([\d./]+)", PAGE.read_text(encoding="utf-8"))
    assert said, f"maths.md has no row for {name}"
    assert float(Fraction(said[1])) == pytest.approx(LIMITS[name])
