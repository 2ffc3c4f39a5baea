"""Faults that a JSON Schema finds, in words for people who never saw the schema."""

from __future__ import annotations

from typing import Any

_TYPES = {
    "number": "a number",
    "integer": "a whole number",
    "string": "text",
    "boolean": "true or false",
    "object": "a mapping",
    "array": "a list",
    "null": "null",
}
_BARE = ("", "count", "ratio", "1")
"""Units that say nothing behind a number."""

_LIMITS = {
    "minimum": "at least",
    "maximum": "at most",
    "exclusiveMinimum": "more than",
    "exclusiveMaximum": "less than",
}


def wanted(error: Any, unit: str = "") -> str:
    """What should stand there: "a number of °C". error : of a validator. unit : of the value."""
    if error.validator != "type":
        return f"valid ({error.message})"
    value = error.validator_value
    names = [value] if isinstance(value, str) else value
    return " or ".join(_typed(name, unit) for name in names)


def limited(error: Any, unit: str = "") -> str | None:
    """What a number should be: "at least 0 px"; None when the fault is of another kind."""
    limit = _LIMITS.get(error.validator)
    behind = "" if unit in _BARE else f" {unit}"
    return None if limit is None else f"{limit} {error.validator_value:g}{behind}"


def _typed(name: str, unit: str) -> str:
    number = name in ("number", "integer") and unit not in _BARE
    return f"{_TYPES[name]} of {unit}" if number else _TYPES[name]
