"""YAML that remembers where each key and value stood, so that errors can point at them."""

from __future__ import annotations

from typing import Any

import yaml

from coldframe.errors import Problem, RecipeError

Path = tuple[str | int, ...]
Place = tuple[int, int]  # 1-based line and column


class Positions:
    """Where things stand in the text: `key(path)` of the key itself, `value(path)` of its value."""

    def __init__(self) -> None:
        self._keys: dict[Path, Place] = {}
        self._values: dict[Path, Place] = {}

    def find(self, path: Path, at_key: bool = False) -> tuple[int, Place]:
        """How many parts of `path` are known, and the place of the last known one.

        `at_key` asks for the key's place rather than its value's.
        """
        table = self._keys if at_key else self._values
        for length in range(len(path), 0, -1):
            if path[:length] in table:
                return length, table[path[:length]]
        return 0, (1, 1)

    def key(self, path: Path) -> Place:
        """Place of the key at `path`, or of its nearest known ancestor."""
        return self.find(path, at_key=True)[1]

    def value(self, path: Path) -> Place:
        """Place of the value at `path`, or of its nearest known ancestor."""
        return self.find(path)[1]


def load_with_positions(text: str, file: str) -> tuple[Any, Positions]:
    """Parse YAML text (safe tags only) and note every position.

    Raises
    ------
    RecipeError
        The text is not valid YAML, or a mapping has the same key twice.
    """
    loader = yaml.SafeLoader(text)
    positions = Positions()
    problems: list[Problem] = []
    try:
        root = loader.get_single_node()
        if root is None:
            return None, positions
        data = _build(loader, root, (), positions, problems, file)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
        tab = "'\\t'" in str(error.problem)
        why = "use spaces, not a tab" if tab else f"not valid YAML: {error.problem}"
        raise RecipeError([Problem(file, line, column, why)]) from None
    except (yaml.YAMLError, RecursionError, ValueError) as error:
        raise RecipeError([Problem(file, 1, 1, f"not valid YAML: {error}")]) from None
    finally:
        loader.dispose()
    if problems:
        raise RecipeError(problems)
    return data, positions


def _build(
    loader: yaml.SafeLoader,
    node: yaml.Node,
    path: Path,
    positions: Positions,
    problems: list[Problem],
    file: str,
) -> Any:
    positions._values[path] = (node.start_mark.line + 1, node.start_mark.column + 1)
    if isinstance(node, yaml.MappingNode):
        out: dict[str, Any] = {}
        for key_node, value_node in node.value:
            key = loader.construct_object(key_node, deep=True)
            place = (key_node.start_mark.line + 1, key_node.start_mark.column + 1)
            if not isinstance(key, str):
                # A bare `on:` or `1:` is a bool or number in YAML; keys here are always text.
                key = str(key_node.value)
            if key in out:
                first = positions.key((*path, key))[0]
                said = f"'{key}' is given twice, first given on line {first}; keep one of them"
                problems.append(Problem(file, *place, said))
            positions._keys[(*path, key)] = place
            out[key] = _build(loader, value_node, (*path, key), positions, problems, file)
        return out
    if isinstance(node, yaml.SequenceNode):
        return [
            _build(loader, item, (*path, i), positions, problems, file)
            for i, item in enumerate(node.value)
        ]
    return loader.construct_object(node, deep=True)
