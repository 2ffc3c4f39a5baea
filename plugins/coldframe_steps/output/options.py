"""Options of the writers, with their defaults."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def option(params: Mapping[str, Any], schema: Mapping[str, Mapping[str, Any]], name: str) -> Any:
    """The option as given, else its default."""
    return params.get(name, schema[name]["default"])
