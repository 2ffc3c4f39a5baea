"""The text of a recipe: found, read, extended, overridden; every key with its place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any

import yaml

from coldframe.errors import Problem, RecipeError, UsageError
from coldframe.renamed import nearest
from coldframe.yamlpos import Path as KeyPath
from coldframe.yamlpos import Positions, load_with_positions

SHIPPED = "coldframe_recipes"


@dataclass
class Document:
    """Merged YAML of a recipe and all it extends, with the place of every key."""

    data: dict[str, Any]
    file: str
    layers: list[tuple[str, Positions]] = field(default_factory=list)
    overrides: dict[KeyPath, str] = field(default_factory=dict)

    def problem(self, path: KeyPath, message: str, *, at_key: bool = False) -> Problem:
        """A fault at `path`, in the layer that said it last."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.overrides:
                return Problem(f"--with {self.overrides[path[:length]]}", 0, 0, message)
        best: tuple[int, str, tuple[int, int]] = (-1, self.file, (1, 1))
        for file, positions in self.layers:  # the recipe itself first, then what it extends
            known, place = positions.find(path, at_key)
            if known > best[0]:
                best = (known, file, place)
        return Problem(best[1], *best[2], message)


def shipped_recipes() -> dict[str, Path]:
    """Recipes installed with Coldframe, by name."""
    folder = Path(str(files(SHIPPED)))
    return {path.stem: path for path in sorted(folder.glob("*.yaml"))}


def find_recipe(name: str, beside: Path | None = None) -> Path:
    """The file of a shipped recipe's name or of a path.

    Raises UsageError when there is none, with the nearest name.
    """
    shipped = shipped_recipes()
    if name in shipped:
        return shipped[name]
    path = Path(name) if beside is None else beside / name
    if path.is_file():
        return path
    if path.is_dir():
        raise UsageError(f"{path} is a folder, not a recipe file")
    if path.name != name or path.suffix in (".yaml", ".yml"):
        raise UsageError(f"{path}: no such file" + nearest(name, shipped, "shipped recipes"))
    raise UsageError(f"there is no recipe '{name}'" + nearest(name, shipped, "shipped recipes"))


def load_document(path: Path, overrides: Sequence[str] = ()) -> Document:
    """Read a recipe file and what it extends, then apply `step.param=value` overrides (and
    `step.match.kind.rule=value`).

    Raises RecipeError (a fault in a file) or UsageError (a fault in an override).
    """
    document = _read(path, ())
    for text in overrides:
        target, equals, value = text.partition("=")
        step, dot, param = target.partition(".")
        if not (equals and dot and param):
            raise UsageError(f"--with {text}: write it as step.param=value")
        try:
            parsed = yaml.safe_load(value)
        except yaml.YAMLError:
            parsed = value
        if step == "inspect":
            limits = document.data.get("inspect")
            document.data["inspect"] = {
                **(limits if isinstance(limits, dict) else {}),
                param: parsed,
            }
            document.overrides["inspect", param] = text
            continue
        steps = document.data.get("steps")
        if not isinstance(steps, dict) or not isinstance(steps.get(step), dict):
            names = steps if isinstance(steps, dict) else ()
            raise UsageError(
                f"--with {text}: no step '{step}'" + nearest(step, names, "steps", "input")
            )
        # step.match.KIND.RULE sets a rule of matching, all else a parameter.
        first, *rest = param.split(".") if param.startswith("match.") else ("with", param)
        block = steps[step]
        for key in (first, *rest[:-1]):
            block = block.setdefault(key, {}) if isinstance(block, dict) else {}
        if isinstance(block, dict):
            block[rest[-1]] = parsed
        document.overrides["steps", step, first, *rest] = text
    return document


def _read(path: Path, seen: tuple[Path, ...]) -> Document:
    name = str(path)
    if path.resolve() in seen:
        raise RecipeError([Problem(name, 1, 1, "this recipe extends itself")])
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"cannot read the recipe {path}: {error}") from None
    data, positions = load_with_positions(text, name)
    if not isinstance(data, dict):
        raise RecipeError(
            [Problem(name, 1, 1, "a recipe is a YAML mapping that starts 'recipe: 1'")]
        )
    document = Document(data, name, [(name, positions)])
    if isinstance(data.get("extends"), str):
        try:
            parent_path = find_recipe(data["extends"], path.parent)
        except UsageError as error:
            raise RecipeError([document.problem(("extends",), str(error))]) from None
        parent = _read(parent_path, (*seen, path.resolve()))
        document.data = _merge(parent.data, data)
        if "for" in data:
            document.data["for"] = data["for"]  # a recipe for other nights, not for fewer
        document.layers += parent.layers
    return document


def _merge(base: Any, over: Any) -> Any:
    """Mappings merge key by key; null removes; anything else replaces."""
    if not (isinstance(base, dict) and isinstance(over, dict)):
        return over
    merged = dict(base)
    for key, value in over.items():
        if value is None:
            merged.pop(key, None)
        else:
            merged[key] = _merge(base[key], value) if key in base else value
    return merged


def as_list(value: str | Sequence[str]) -> tuple[str, ...]:
    """A recipe may say `from: lights` or `from: [lights, more]`."""
    return (value,) if isinstance(value, str) else tuple(value)


def input_kinds(name: str, steps: dict[str, Any], inputs: dict[str, Any]) -> set[str]:
    """The kinds of source frames that a step's output is made of."""
    found: set[str] = set()
    seen: set[str] = set()
    queue = [name]
    while queue:
        current = queue.pop()
        if current in seen:
            continue
        seen.add(current)
        if current in inputs:
            found.add(inputs[current]["kind"])
        elif current in steps:
            queue += as_list(steps[current]["from"])
    return found
