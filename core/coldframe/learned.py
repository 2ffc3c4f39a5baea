"""What kinds of work have cost on this machine: a small record in the user's cache folder.

The record serves estimates only. One that is missing, damaged or of another form is begun anew, and
one that cannot be written is done without.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from coldframe.errors import StoreError
from coldframe.product import atomic

RUNS = 5  # of each kind of work
KINDS = 200
COMPILED_BY = ("coldframe", "numba")


@dataclass(frozen=True, slots=True)
class Learned:
    """costs : of each kind of work, s of one core per megapixel, of the last runs, newest last.
    compiled : versions of the code whose loops are compiled and kept."""

    costs: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    compiled: str = ""

    @property
    def rates(self) -> dict[str, float]:
        """The lower median of each kind: a busy hour moves nothing."""
        return {what: sorted(told)[(len(told) - 1) // 2] for what, told in self.costs.items()}

    @property
    def first_use(self) -> bool:
        """Whether loops must be compiled before anything runs."""
        return self.compiled != code_version()

    def plus(self, spent: Mapping[str, tuple[float, float]]) -> Learned:
        """With one more run. spent : by kind of work, seconds and megapixels.

        A run at first use compiles while it works; what it spent tells nothing of the next.
        """
        if self.first_use:
            return Learned(self.costs, code_version())
        new = {what: seconds / size for what, (seconds, size) in spent.items() if size > 0}
        # Kinds of this run come last: those of plugins long gone are dropped first.
        costs = {what: told for what, told in self.costs.items() if what not in new}
        costs |= {what: (*self.costs.get(what, ()), rate)[-RUNS:] for what, rate in new.items()}
        return Learned(dict([*costs.items()][-KINDS:]), code_version())


def record_file() -> Path:
    """Where the record is kept."""
    from platformdirs import user_cache_path

    return user_cache_path("coldframe", appauthor=False) / "costs.json"


def read_learned(file: Path) -> Learned:
    """What the record tells."""
    try:
        told = json.loads(file.read_text(encoding="utf-8"))
        costs = {str(what): tuple(map(float, rates)) for what, rates in told["costs"].items()}
        sound = all(r and all(math.isfinite(x) and x >= 0 for x in r) for r in costs.values())
        return Learned(costs, str(told["compiled"])) if sound else Learned()
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return Learned()


def learn(file: Path, spent: Mapping[str, tuple[float, float]]) -> None:
    """Add a run to the record."""
    now = read_learned(file).plus(spent)
    try:
        with atomic(file, durable=False) as temporary:
            text = json.dumps({"costs": now.costs, "compiled": now.compiled}, indent=1)
            temporary.write_text(text, encoding="utf-8")
    except StoreError:
        return  # a read-only home: the next estimate is as good as this one was


def code_version() -> str:
    """Versions of what compiled loops depend on."""
    try:
        return " ".join(f"{name} {version(name)}" for name in COMPILED_BY)
    except PackageNotFoundError:
        return ""
