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


def _said(node: ast.AST) -> tuple[str, ast.expr] | None:
    """How a message is given, and the message; None for what gives none."""
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
        place = {"SetAside": 0, "StepError": 0, "Finding": 2, "NoMatch": 0, "NotSure": 0}.get(
            node.func.id
        )
        if place is not None and len(node.args) > place:
            return node.func.id, node.args[place]
    # Registration goes through several reasons before it sets a frame aside.
    if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "reason":
        return "reason", node.value
    if isinstance(node, ast.Return) and isinstance(node.value, ast.Tuple) and node.value.elts:
        first, *rest = node.value.elts
        if isinstance(first, ast.Constant) and first.value is None:
            return "reason", rest[0]
    return None


def _messages() -> list[tuple[str, str, tuple[str, ...]]]:
    """(file, how it is given, fixed pieces) of every message."""
    files = [path for folder in FOLDERS for path in sorted((ROOT / folder).rglob("*.py"))]
    files += [ROOT / "core/coldframe" / f"{name}.py" for name in MODULES]
    found = []
    for path in files:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            said = _said(node)
            if said is None or (said[0] == "reason" and path.name != "onto.py"):
                continue
            pieces = tuple(text for text in _texts(said[1]) if len(text.strip()) > 3)
            if pieces:
                found.append((str(path.relative_to(ROOT)), said[0], pieces))
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
