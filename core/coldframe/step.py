"""The contract of a step: three shapes, each a pure function of its inputs.

A step says what it does to one frame or one tile. The engine fans out over frames and nights,
cuts tiles, bounds memory, caches by content, retries, keeps provenance and shows progress.
"""

from __future__ import annotations

import logging
from abc import ABC, abstractmethod
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np

from coldframe.frame import Array, Frame, FrameInfo

Numbers = Mapping[str, Array]
"""Named float64 arrays (a scalar has shape (1,)): what surveys and decisions are made of."""


@dataclass(frozen=True, slots=True)
class Column:
    """A number that a step reports about a frame."""

    unit: str
    about: str


@dataclass(frozen=True, slots=True)
class Takes:
    """Memory a step takes, for planning: at least what was measured.

    mono, mosaic, colour : bytes per pixel (y, x) of the frame that a step is given, by the kind of
        frame: the most that `apply` or `finish` holds besides that frame, with what it returns.
    look : the same of `survey` and `measure`, for any kind of frame.
    sample : bytes that `reduce` holds per value of a tile, besides the tile.
    tile : bytes that `reduce` holds per pixel (h, w) of a tile, with what it returns.
    planes : bytes per pixel and colour of a stack's planes besides data and flags.
    always : bytes that any call takes, however small the frame.
    """

    mono: float = 30
    mosaic: float = 60
    colour: float = 60
    look: float = 30
    sample: float = 10
    tile: float = 100
    planes: float = 20
    always: int = 0


@dataclass(frozen=True, slots=True)
class Flow:
    """Which frames a step takes and what it makes of them: recipes are checked by it.

    pixels : kinds of pixels that it works on: "mosaic", "mono", "colour".
    registered, stacked : True: only frames that are; False: only frames that are not; None: both.
    calibrates : it takes off what its masters hold, so that none of their kind may serve again.
    registers : what comes out lies on one pixel grid. crops : it may cut pixels off, so that a
        mosaic of another size is a mosaic still.

    What a stack step gives is stacked, and what a `makes_colour` step gives is in colour, without
    being said here.
    """

    pixels: tuple[str, ...] = ("mosaic", "mono", "colour")
    registered: bool | None = None
    stacked: bool | None = None
    calibrates: bool = False
    registers: bool = False
    crops: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """One frame as a group decision sees it: facts and numbers, no pixels."""

    info: FrameInfo
    measures: Mapping[str, float]
    survey: Numbers


@dataclass(frozen=True, slots=True)
class Tile:
    """A band of rows of every frame in a stack, one colour at a time.

    data : float32 (n, h, w); flags : uint8 (n, h, w). Row 0 is row `y0` of the full frame, and
    column 0 its column `x0`, which is 0 but where samples of a stack are judged; their margins may
    lie beyond the frame's edges, where no sample has data.
    """

    data: Array
    flags: Array
    channel: int
    y0: int
    x0: int = 0


@dataclass(frozen=True, slots=True)
class Context:
    """All that a step is given besides pixels. Nothing is global.

    params : the recipe's `with:` block, checked and with defaults filled in.
    masters : matched calibration frames by kind ("bias", "dark", "flat", "dark-flat").
    survey : what this step's own `survey` said of this frame (FrameStep.apply only).
    decision : what `decide` or `prepare` returned for the group; in `decide` of an anchored step,
        what it returned for the first night.
    index : this frame's place among the group's rows (FrameStep.apply only).
    rng : seeded from the recipe's seed and the product's key, the same on every scheduler.
    """

    params: Mapping[str, Any]
    masters: Mapping[str, Frame] = field(default_factory=dict)
    survey: Numbers = field(default_factory=dict)
    decision: Numbers = field(default_factory=dict)
    index: int = 0
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(0))
    log: logging.Logger = field(default_factory=lambda: logging.getLogger("coldframe.step"))


class Step(ABC):
    """What every step has. Subclass FrameStep, StackStep or MeasureStep, not this.

    name : how a recipe's `use:` finds it. version : part of the cache key; raise it whenever the
    same input would give other bytes. about : one line. params : JSON Schema "properties" of the
    `with:` block; every property has a description, a default, and "unit" where it has one.
    sources : where the method is published. columns : numbers it reports.
    master_kinds : kinds of master frames that `ctx.masters` may hold. flow : which frames it takes and
    what it makes of them, see there. takes : memory, see there.
    survey_params : the parameters that `survey` is given; None: all. With another value of one that is
    not among them, frames that were looked at need not be looked at again.
    """

    name: ClassVar[str]
    version: ClassVar[str] = "1"
    about: ClassVar[str] = ""
    params: ClassVar[Mapping[str, Mapping[str, Any]]] = {}
    sources: ClassVar[Sequence[str]] = ()
    columns: ClassVar[Mapping[str, Column]] = {}
    master_kinds: ClassVar[Sequence[str]] = ()
    flow: ClassVar[Flow] = Flow()
    takes: ClassVar[Takes] = Takes()
    survey_params: ClassVar[Sequence[str] | None] = None

    def check_params(
        self, params: Mapping[str, Any], columns: Collection[str]
    ) -> Mapping[str, str]:
        """What is wrong with parameters beyond their schemas: parameter -> message. Optional.

        columns : names of the numbers that frames may bring along, from the steps before this one.
        Called when a recipe is checked, before any pixel is read.
        """
        return {}

    def survey(self, frame: Frame, ctx: Context) -> Numbers:
        """Look at one input frame, for a decision over the whole group. Optional.

        Entries of shape (1,) named in `columns` become the frame's measures.
        """
        return {}

    def foresee(
        self, frame: FrameInfo, masters: Mapping[str, FrameInfo], params: Mapping[str, Any]
    ) -> str:
        """What this step will do otherwise than asked, for want of a master. Optional.

        Told from facts alone, before any pixel is read, so that `coldframe plan` can say it with
        the number of frames; words that hold for every such frame. "" for nothing.
        """
        return ""

    @classmethod
    def has_survey(cls) -> bool:
        """Whether this step looks at every frame before it decides."""
        return cls.survey is not Step.survey


class FrameStep(Step):
    """One frame in, one frame out. May look at the whole group first (`survey`, `decide`).

    makes_colour : a CFA mosaic that goes in comes out in colour.

    anchored : the group is decided on night by night, and all nights go by the first: `decide`
    then finds the first night's decision in `ctx.decision` (empty for the first night itself). A
    night that is added later changes nothing about the frames of earlier ones.
    """

    makes_colour: ClassVar[bool] = False
    anchored: ClassVar[bool] = False

    def decide(self, rows: Sequence[Row], ctx: Context) -> Numbers:
        """Decide once for the group, from every frame's survey. Arrays of any shape."""
        return {}

    @abstractmethod
    def apply(self, frame: Frame, ctx: Context) -> Frame:
        """Make the new frame. Raise SetAside with a reason to leave this frame out."""


class StackStep(Step):
    """Many frames in, one out, tile by tile.

    halo : rows of neighbourhood that `reduce` needs above and below (it may depend on params,
    see `halo_rows`). min_frames : fewer than this is an error that names what was left.
    """

    min_frames: ClassVar[int] = 1

    def halo_rows(self, params: Mapping[str, Any]) -> int:
        """Rows of neighbourhood needed above and below a tile."""
        return 0

    def prepare(self, rows: Sequence[Row], ctx: Context) -> Numbers:
        """Scalars (or more) per frame, first axis n: weights, scales. Read by `reduce`.

        Entries of shape (n,) named in `columns` are reported as each frame's measures.
        """
        return {}

    @abstractmethod
    def reduce(self, tile: Tile, ctx: Context) -> Mapping[str, Array]:
        """Planes (h, w): "data" float32 and "flags" uint8 are a must, others are free.

        Must not depend on where tiles are cut.
        """

    def finish(self, stack: Frame, ctx: Context) -> Frame:
        """Last touch on the whole stack, such as measured numbers. Optional."""
        return stack


class MeasureStep(Step):
    """One frame in, a row of named numbers out; units in `columns`."""

    @abstractmethod
    def measure(self, frame: Frame, ctx: Context) -> Mapping[str, float]:
        """The numbers. Raise SetAside with a reason when they cannot be measured."""
