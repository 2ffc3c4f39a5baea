"""What a finished run knows about itself: the report, the manifest and plugins read this."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from coldframe.frame import Frame, FrameInfo
from coldframe.step import Column, Numbers


@dataclass(frozen=True, slots=True)
class MasterUse:
    """A master that served one frame: how far off it is, in the units of each fact."""

    kind: str  # bias, dark, flat, dark-flat
    product: str  # id of the master's ProductRecord
    distances: Mapping[str, float]  # such as {"temperature": 0.8, "exposure": 0.0}
    total: float  # sum of distances, each divided by its tolerance
    note: str = ""  # such as "scaled from 120 s to 60 s"


@dataclass(frozen=True, slots=True)
class FrameRecord:
    """One source frame and what became of it."""

    id: str
    info: FrameInfo
    measures: Mapping[str, float]
    used: bool
    reason: str = ""  # why it was set aside
    step: str = ""  # the step that set it aside
    masters: tuple[MasterUse, ...] = ()
    products: Mapping[str, str] = field(default_factory=dict)  # step id -> store key


@dataclass(frozen=True, slots=True)
class ProductRecord:
    """One master, stack or final frame."""

    id: str  # store key
    step: str  # recipe step id
    uses: str  # the step's name, such as "combine"
    label: str  # such as "dark · 120 s · 14 °C"
    info: FrameInfo
    measures: Mapping[str, float]
    frames: tuple[str, ...]  # ids of the source frames that went in
    files: tuple[str, ...] = ()  # what was written for people, relative to the output folder
    planes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Variant:
    """The stack of a sample of the lights, with one kind of master left out ("": none).

    frames : lights in it. reason : why there is no such stack, when it could not be made.
    """

    kind: str
    stack: str  # store key
    frames: int = 0
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Proof:
    """What was made to judge one stack by.

    stack : its id among the products. sample : ids of the lights that stand for all.
    probes : store keys of what was measured, by name; "thumb FRAME" for each light.
    """

    stack: str
    sample: tuple[str, ...] = ()
    variants: tuple[Variant, ...] = ()
    probes: Mapping[str, str] = field(default_factory=dict)


def nothing(_key: str) -> None:
    """No numbers are known under any key."""


@dataclass(frozen=True, slots=True)
class RunRecord:
    """A finished run. `read` gives the pixels of a product by store key, or of a source
    frame as the camera wrote it by its id; None if gone. `numbers` gives what a probe measured by
    its store key; None when it could not."""

    recipe: str
    about: str
    why_recipe: str
    nights: Sequence[str]
    frames: Sequence[FrameRecord]
    masters: Sequence[ProductRecord]
    products: Sequence[ProductRecord]
    columns: Mapping[str, Column]
    warnings: Sequence[str]
    timings: Mapping[str, float]  # step id -> seconds of work
    versions: Mapping[str, str]
    steps: Sequence[Mapping[str, Any]]  # the recipe's steps in order: id, use, params, masters
    elapsed: float
    read: Callable[[str], Frame | None]
    proof: Proof | None = None
    numbers: Callable[[str], Numbers | None] = nothing
    costs: Sequence[str] = ()  # what missing or ill-fitting masters cost, in numbers
