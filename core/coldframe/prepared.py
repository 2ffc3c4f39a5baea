"""What a person asked for, and everything known before the run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from coldframe.budget import Need
from coldframe.estimate import (
    Estimate,
)
from coldframe.night import NightScan
from coldframe.planned import Plan, Resources
from coldframe.recipe import Recipe
from coldframe.report.record import Proof
from coldframe.specs import TaskSpec


@dataclass(frozen=True, slots=True)
class Request:
    """What a person asked for."""

    nights: tuple[Path, ...]
    output: Path
    store: Path
    cache: Path | None = None  # file of what was found in the frames; None: in the store
    recipe: str | None = None
    overrides: tuple[str, ...] = ()
    scheduler: str = "threads"
    workers: int = 1
    memory: int = 4 << 30
    cameras: tuple[Path, ...] = ()  # camera files, before those of the user's cameras folder
    library: Path | None = None  # None: the user's own, when there is one
    use_library: bool = True
    store_keeps: str = "all"  # see tidy.KEEP
    use_anyway: tuple[str, ...] = ()  # globs of frames to use whatever the inspection finds
    inspect: bool = True
    only: frozenset[Path] | None = None  # absolute paths of files to look at; None: all

    compare_masters: int | None = None  # lights stacked again without each master; 0: none
    each_night: bool = True  # make each night's own stacks where the recipe wants them


@dataclass(frozen=True, slots=True)
class Prepared:
    """Everything known before the run."""

    request: Request
    recipe: Recipe
    why: str
    scan: NightScan
    plan: Plan
    tasks: Mapping[str, tuple[TaskSpec, tuple[str, ...]]]
    resources: Resources
    estimate: Estimate
    rates: Mapping[str, float]
    needs: Mapping[str, Need]  # memory of each task, by key
    cameras: tuple[str, ...] = ()  # which camera files told what
    proof: Proof | None = None
