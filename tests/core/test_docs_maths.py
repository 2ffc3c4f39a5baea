"""Every publication that a step goes by stands in docs/maths.md beside what is taken from it."""

import re
from pathlib import Path

import pytest

from coldframe.plugins import find_plugins

PAGE = (Path(__file__).parents[2] / "docs" / "maths.md").read_text(encoding="utf-8")
NO_PAPER = "common practice"


def plain(text: str) -> str:
    """Without what typesetting may change: kinds of dashes."""
    return re.sub("[\u2010-\u2014]", "-", text)


def marks(source: str) -> tuple[str, str]:
    """(first name, year or number) of a citation: 'I. R. King (1983), PASP' -> King, 1983."""
    name = next(iter(re.findall(r"\b[A-Z][\w-]{2,}", plain(source))), "")
    year = next(iter(re.findall(r"\b(?:1[6-9]|20)\d\d\b|\b\d{4,5}\b", source)), "")
    return name, year


SOURCES = sorted(
    {
        (name, source)
        for name, step in find_plugins().steps.items()
        if step.__module__.startswith("coldframe_steps.")
        for source in step.sources
        if not source.startswith(NO_PAPER)
    }
)


@pytest.mark.parametrize(("step", "source"), SOURCES, ids=[f"{s}-{c[:30]}" for s, c in SOURCES])
def test_the_source_is_in_the_maths(step: str, source: str) -> None:
    name, year = marks(source)
    assert name, f"step '{step}': '{source}' names nobody"
    near = any(name in line and year in line for line in plain(PAGE).splitlines())
    assert near, f"step '{step}' goes by '{source}', and no line of docs/maths.md has {name} {year}"


def test_marks_of_citations() -> None:
    assert marks("I. R. King (1983), PASP 95, 163: noise") == ("King", "1983")
    assert marks("EMVA Standard 1288: linear camera model") == ("EMVA", "1288")
    assert marks("the Gauss–Markov theorem") == ("Gauss-Markov", "")
