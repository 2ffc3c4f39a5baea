"""Files and modules that the docs name are there, and the docs link to each other rightly."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
# The others name files that a reader makes, not ours.
OURS = sorted(
    page.name
    for page in (ROOT / "docs").glob("*.md")
    if page.name not in ("plugins.md", "tutorial.md", "camera-recipe.md")
)
HOMES = (ROOT, ROOT / "core/coldframe", ROOT / "plugins/coldframe_steps")


@pytest.mark.parametrize("page", OURS)
def test_paths_exist(page: str) -> None:
    text = (ROOT / "docs" / page).read_text(encoding="utf-8")
    text = re.sub(r"```.*?```", "", text, flags=re.S)
    # A family's modules may follow each other with the folder named once.
    folder = ""
    for name in re.findall(r"`([\w/-]+(?:\.py|/))`", text):
        folder = name.rpartition("/")[0] if "/" in name else folder
        tries = (name, f"{folder}/{name}") if "/" not in name else (name,)
        assert any((home / path).exists() for home in HOMES for path in tries), name


@pytest.mark.parametrize(
    "page", [*(ROOT / "docs").glob("*.md"), *ROOT.glob("*.md")], ids=lambda page: page.name
)
def test_links_lead_to_pages(page: Path) -> None:
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.S)
    for target, anchor in re.findall(r"\]\(([^)#]*)(?:#([^)]*))?\)", text):
        if target.startswith("https://"):
            continue
        there = page.parent / target if target else page
        assert there.exists(), target
        if anchor:
            heads = re.findall(r"^#+ (.*)$", there.read_text(encoding="utf-8"), re.M)
            assert anchor in map(_slug, heads), f"{target}#{anchor}"


@pytest.mark.parametrize(
    "page", [*(ROOT / "docs").glob("*.md"), *ROOT.glob("*.md")], ids=lambda page: page.name
)
def test_pages_are_called_by_their_titles(page: Path) -> None:
    """A link that begins with a capital reads as a title: of the page, or of the part it leads to."""
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.S)
    for words, target, anchor in re.findall(r"\[([^\]]+)\]\(([^)#]*)(?:#([^)]*))?\)", text):
        words = " ".join(words.split())
        there = page.parent / target if target else page
        if there.suffix != ".md" or not words.strip("\"'`*")[0].isupper():
            continue
        heads = re.findall(r"^#+ (.*)$", there.read_text(encoding="utf-8"), re.M)
        named = [head for head in heads if _slug(head) == anchor] if anchor else []
        assert words in (heads[0], *named) or words == there.name, (
            f"'{words}' leads to the page '{heads[0]}'"
        )


def _slug(head: str) -> str:
    return re.sub(r"[^\w -]", "", head.lower()).replace(" ", "-")


def test_the_readme_lists_every_page() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for page in (ROOT / "docs").glob("*.md"):
        assert page.stem == "index" or f"(docs/{page.name})" in readme, page.name
