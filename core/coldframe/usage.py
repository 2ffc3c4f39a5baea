"""Which runs use a store, and which of its products: noted in the store by each run."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from coldframe.night import MANIFEST
from coldframe.planned import Plan
from coldframe.product import atomic
from coldframe.specs import FrameTask
from coldframe.store import product_key

NOTES = "runs"


@dataclass(frozen=True, slots=True)
class Use:
    """The last run into one output folder.

    keys : every product of its plan, with surveys and measurements. results : those that must be
    there for the run to have nothing to do.
    """

    output: Path
    recipe: str
    when: datetime
    keys: frozenset[str]
    results: frozenset[str]

    @property
    def current(self) -> bool:
        """Whether the output folder still holds a run."""
        return (self.output / MANIFEST).exists()


def note_use(plan: Plan, output: Path, now: datetime | None = None) -> None:
    """Note what a run into `output` uses, in place of what the last one there used."""
    looks = {
        look.key
        for spec, _ in plan.tasks.values()
        if isinstance(spec, FrameTask)
        for look in spec.looks
    }
    said = {
        "output": str(output.resolve()),
        "recipe": plan.recipe.name,
        "when": (now or datetime.now(UTC)).isoformat(timespec="seconds"),
        "keys": sorted(plan.tasks.keys() | looks),
        "results": sorted(set(plan.targets)),
    }
    name = product_key("use", said["output"])[:16]
    with atomic(plan.store / NOTES / f"{name}.json") as temporary:
        temporary.write_text(json.dumps(said, indent=0))


def uses(store: Path) -> Iterator[Use]:
    """The runs that noted their use of a store, the last ones first."""
    found = []
    for path in (store / NOTES).glob("*.json"):
        try:
            said = json.loads(path.read_text())
            found.append(
                Use(
                    Path(said["output"]),
                    str(said["recipe"]),
                    datetime.fromisoformat(said["when"]),
                    frozenset(said["keys"]),
                    frozenset(said["results"]),
                )
            )
        except (OSError, ValueError, KeyError, TypeError):
            continue  # a note cut short says nothing
    yield from sorted(found, key=lambda use: (use.when, str(use.output)), reverse=True)
