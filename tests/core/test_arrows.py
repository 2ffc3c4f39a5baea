"""The house keeps its arrows: steps import the core, the core imports no step."""

import ast
from pathlib import Path

import pytest

import coldframe

CORE = Path(coldframe.__file__).parent

# Who may not be imported by whom, bottom layer first: a module may import its own layer or lower.
LAYERS = [
    {"errors", "frame", "planes", "memory", "budget"},
    {"fitsfile"},
    {"step", "yamlpos", "facts", "stretch"},
    {"hooks", "product", "grouping", "matching", "matching_rules", "kinds"},
    {"interpolation"},
    {"serving"},
    {"store", "plugins", "night"},
    {"schema", "recipe_document", "specs"},
    {"recipe_check", "stacking", "deciding"},
    {"recipe", "tasks"},
    {"planned"},
    {"lending", "footprint", "tidy"},
    {"graph", "choose", "disk", "limits"},
    {"execute", "estimate", "explain"},
    {"prepared"},
    {"recording"},
    {"session"},
]


def imports(path):
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module


@pytest.mark.parametrize("path", sorted(CORE.rglob("*.py")), ids=lambda p: p.stem)
def test_core_imports_no_step(path):
    assert not [name for name in imports(path) if name.split(".")[0] == "coldframe_steps"]


def test_layers_look_down_only():
    level = {name: i for i, names in enumerate(LAYERS) for name in names}
    wrong = []
    for name, own in level.items():
        for found in imports(CORE / f"{name}.py"):
            parts = found.split(".")
            if parts[0] == "coldframe" and len(parts) == 2 and level.get(parts[1], own) > own:
                wrong.append(f"{name} imports {found}")
    assert not wrong


def test_only_the_command_line_imports_the_command_line():
    for path in CORE.rglob("*.py"):
        if path.parent.name != "cli":
            assert not [n for n in imports(path) if n.startswith("coldframe.cli")], path
