"""The user's rules of a library: after how many days a master is too old to serve."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

from coldframe.errors import StoreError, UsageError
from coldframe.frame import Kind
from coldframe.library.entry import FORMAT, newer
from coldframe.product import atomic

FILE = "library.json"

DEFAULT_AGES: Mapping[str, float | None] = {
    Kind.BIAS.value: 730.0,
    Kind.DARK.value: 365.0,
    Kind.DARK_FLAT.value: 365.0,
    Kind.FLAT.value: 30.0,
}
"""Days between a master and the frame it serves. Common practice, no source: dust moves within
weeks, a sensor gains hot pixels within months, and its bias hardly changes."""


def read_ages(root: Path) -> dict[str, float | None]:
    """The rules in force, by kind; None: never too old.

    Raises StoreError when the file is damaged or from a newer version.
    """
    file = root / FILE
    try:
        values = json.loads(file.read_text(encoding="utf-8"))
        form, ages = int(values["format"]), dict(values["age_days"])
        if form > FORMAT:
            raise StoreError(newer(str(file), form))
        return {kind: None if ages[kind] is None else float(ages[kind]) for kind in DEFAULT_AGES}
    except FileNotFoundError:
        return dict(DEFAULT_AGES)
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StoreError(
            f"{file} cannot be read ({error}); delete it to go back to the default rules of age"
        ) from None


def write_ages(root: Path, ages: Mapping[str, float | None]) -> None:
    """Set the rules. Raises UsageError for a number below 0, StoreError when not writable."""
    for kind, days in ages.items():
        if days is not None and not days >= 0:
            raise UsageError(f"{kind}: {days:g} days is no age; give 0 or more, or 'never'")
    with atomic(root / FILE) as temporary:
        text = json.dumps({"format": FORMAT, "age_days": dict(ages)}, indent=1, sort_keys=True)
        temporary.write_text(text, encoding="utf-8")
