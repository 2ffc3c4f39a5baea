"""What a compiled run is made of: items that flow, tasks by name, and what was left out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from coldframe.frame import FrameInfo, Kind
from coldframe.recipe import Recipe
from coldframe.report.record import MasterUse
from coldframe.serving import Candidate, Shelf
from coldframe.specs import (
    Op,
    TaskSpec,
)


@dataclass(frozen=True, slots=True)
class Item:
    """One frame as it flows through the plan."""

    key: str
    info: FrameInfo
    sources: tuple[str, ...]  # ids of the source frames in it
    label: str
    base: str = ""  # the last stored product; "" is the source file
    source: FrameInfo = field(default_factory=FrameInfo)
    ops: tuple[Op, ...] = ()  # steps not yet stored since `base`
    masters: tuple[MasterUse, ...] = ()
    alone: str = ""  # the night, when this is one night's own stack beside that of all nights


@dataclass(frozen=True, slots=True)
class SetAsideFrame:
    """A frame that the plan itself leaves out. fault : the same for frames left out for one cause."""

    info: FrameInfo
    reason: str
    step: str
    fault: str = ""


@dataclass
class Plan:
    """All tasks of a run. `tasks` maps a key to its spec and the keys it waits for."""

    recipe: Recipe
    store: Path
    tasks: dict[str, tuple[TaskSpec, tuple[str, ...]]] = field(default_factory=dict)
    flows: dict[str, list[Item]] = field(default_factory=dict)  # input or step id -> items
    groups: dict[str, list[tuple[str, int]]] = field(default_factory=dict)  # step -> label, n
    decisions: dict[str, list[str]] = field(default_factory=dict)  # step -> decision keys
    targets: list[str] = field(default_factory=list)
    set_aside: list[SetAsideFrame] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    candidates: dict[str, Mapping[Kind, Sequence[Candidate]]] = field(default_factory=dict)
    borrowed: dict[str, Candidate] = field(default_factory=dict)  # masters no step made, by key
    shelf: Shelf | None = None


@dataclass(frozen=True, slots=True)
class Resources:
    """What a run may use."""

    workers: int
    memory: int  # bytes for all workers together, with the interpreter's own
    processes: bool = False  # each worker is a process of its own


def frame_id(info: FrameInfo) -> str:
    """A short name for a source frame that is the same wherever the file lies."""
    parts = [info.digest[:20]]
    parts += [f"h{info.hdu}"] if info.hdu is not None else []
    parts += [f"p{info.plane}"] if info.plane is not None else []
    return "-".join(parts)
