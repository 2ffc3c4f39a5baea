"""docs/troubleshooting.md has every message that sets a frame aside or ends a run's step, and no other."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs/troubleshooting.md").read_text(encoding="utf-8")
FOLDERS = ("core/coldframe/vetting", "plugins/coldframe_steps")
"""Where messages of a night come from; those of the demo and of single commands explain themselves."""
MODULES = ("night", "stacking", "tasks", "testing/running")


def _texts(node: ast.expr) -> list[str]:
    """The fixed pieces of a message, variable parts left out."""
    return [
        part.value
        for part in ast.walk(node)
        if isinstance(part, ast.Constant) and isinstance(part.value, str)
    ]


def _messages() -> list[tuple[str, str, tuple[str, ...]]]:
    """(file, what is raised, fixed pieces) of every message."""
    files = [path for folder in FOLDERS for path in sorted((ROOT / folder).rglob("*.py"))]
    files += [ROOT / "core/coldframe" / f"{name}.py" for name in MODULES]
    found = []
    for path in files:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name)):
                continue
            place = {"SetAside": 0, "StepError": 0, "Finding": 2}.get(node.func.id)
            if place is None or len(node.args) <= place:
                continue
            pieces = tuple(text for text in _texts(node.args[place]) if len(text.strip()) > 3)
            if pieces:
                found.append((str(path.relative_to(ROOT)), node.func.id, pieces))
    return found


MESSAGES = _messages()
QUOTED = [
    quoted
    for row in PAGE.splitlines()
    if row.startswith("| `")
    for quoted in re.findall(r"`([^`]+)`", row.split(" | ")[0])
]
"""What the first column of the tables quotes."""


@pytest.mark.parametrize(
    ("file", "pieces"), [(file, pieces) for file, _, pieces in MESSAGES], ids=lambda v: str(v)[:60]
)
def test_a_message_is_on_the_page(file, pieces):
    assert any(quoted in piece for quoted in QUOTED for piece in pieces), (
        f"{file}: docs/troubleshooting.md quotes no part of {pieces}"
    )


@pytest.mark.parametrize("quoted", QUOTED)
def test_a_quoted_message_is_in_the_code(quoted):
    assert any(quoted in piece for _, _, pieces in MESSAGES for piece in pieces), (
        f"no message of the code has {quoted!r} in it any more"
    )
