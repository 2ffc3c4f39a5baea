"""Finds the fenced blocks of the Markdown pages, with the marks that stand above them.

A mark is an HTML comment, unseen by readers, on the line above a block:

    <!-- snippet: not run: why it cannot be run here -->
    <!-- snippet: is notes -->            what a YAML block is, where that is not plain
    <!-- snippet: saved as my-lens.yaml -->   a file of this name, for the blocks after it
    <!-- snippet: with shed = darks -->   a folder the block needs, and what is in it
    <!-- snippet: printed by coldframe plan demo-night -->   output, compared by page_figures.py
    <!-- snippet: an example: of what -->   output of something that no test makes
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGES = (*sorted((ROOT / "docs").glob("*.md")), ROOT / "README.md", ROOT / "DEVELOPERS.md")

FENCE = re.compile(r"^( *)```+ *(\S*)\s*$")
MARK = re.compile(
    r"^ *<!-- *snippet: *(not run|is|saved as|with|printed by|an example)\b:? *(.*?) *-->\s*$"
)


@dataclass(frozen=True)
class Block:
    """A fenced block: where it is, its language and text, and its marks."""

    page: Path
    line: int
    language: str
    text: str
    marks: dict[str, str] = field(default_factory=dict)

    @property
    def place(self) -> str:
        return f"{self.page.name}:{self.line}"

    @property
    def commands(self) -> list[str]:
        """The lines to type: prompts and output left out, continued lines joined."""
        lines = self.text.replace("\\\n", " ").splitlines()
        if self.language == "console":
            lines = [line.removeprefix("$ ") for line in lines if line.startswith("$ ")]
        return [line for line in lines if line.strip() and not line.lstrip().startswith("#")]


def blocks(page: Path) -> list[Block]:
    """Every fenced block of a page, in order."""
    found: list[Block] = []
    marks: dict[str, str] = {}
    inside: tuple[int, str, str] | None = None
    text: list[str] = []
    for number, line in enumerate(page.read_text(encoding="utf-8").splitlines(), 1):
        fence = FENCE.match(line)
        if inside is not None:
            start, language, indent = inside
            if fence and not fence[2]:
                body = "".join(f"{each.removeprefix(indent)}\n" for each in text)
                found.append(Block(page, start, language, body, marks))
                inside, marks, text = None, {}, []
            else:
                text.append(line)
        elif fence:
            inside = (number, fence[2], fence[1])
        elif mark := MARK.match(line):
            key, said = mark.groups()
            marks[key] = f"{marks[key]}, {said}" if key in marks else said
        elif "<!-- snippet" in line.replace("<!--snippet", "<!-- snippet"):
            raise AssertionError(f"{page.name}:{number}: a mark that is not known: {line.strip()}")
        elif line.strip():
            marks = {}
    assert inside is None, f"{page.name}:{inside and inside[0]}: the block does not end"
    return found


def inline_commands(page: Path) -> list[tuple[int, str]]:
    """(line, command) of every `coldframe ...` that stands in running text."""
    found, inside = [], False
    for number, line in enumerate(page.read_text(encoding="utf-8").splitlines(), 1):
        if FENCE.match(line):
            inside = not inside
        elif not inside:
            found += [(number, code) for code in re.findall(r"`(coldframe [^`]+)`", line)]
    return found
