"""What a section of the report is made of. `blocks.html` has one macro for each class."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import ClassVar


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph."""

    macro: ClassVar[str] = "paragraph"
    text: str
    style: str = ""  # "lead" or "soft"


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list of sentences under a small heading."""

    macro: ClassVar[str] = "bullets"
    items: Sequence[str]
    title: str = ""
    style: str = ""  # "warnings"


@dataclass(frozen=True, slots=True)
class Figure:
    """One number that matters, with its name and a remark."""

    name: str
    value: str
    unit: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Figures:
    """A strip of numbers."""

    macro: ClassVar[str] = "figures"
    figures: Sequence[Figure]


@dataclass(frozen=True, slots=True)
class Cell:
    """Text for people and, where the text does not sort by itself, a key that does."""

    text: str
    key: str | None = None


@dataclass(frozen=True, slots=True)
class Heading:
    """A table's column. `tight` cells are never broken into two lines, `wide` ones
    hold sentences."""

    title: str
    unit: str = ""
    numeric: bool = False
    tight: bool = False
    wide: bool = False

    @property
    def style(self) -> str:
        """Class of its cells."""
        return "n" if self.numeric else "t" if self.tight else "w" if self.wide else ""


@dataclass(frozen=True, slots=True)
class Line:
    """A table's row."""

    cells: Sequence[Cell]
    mark: str = ""  # "aside" for a frame that was set aside


@dataclass(frozen=True, slots=True)
class Table:
    """A table; `folded` ones are shown on request only."""

    macro: ClassVar[str] = "table"
    caption: str
    headings: Sequence[Heading]
    lines: Sequence[Line]
    sortable: bool = False
    folded: bool = False


@dataclass(frozen=True, slots=True)
class Picture:
    """An image inside the page. Sizes in image pixels; `exact` ones are never smoothed."""

    uri: str
    width: int
    height: int
    alt: str
    name: str = ""
    caption: str = ""
    exact: bool = False


@dataclass(frozen=True, slots=True)
class Pictures:
    """Pictures side by side, or one large one. `layout` is "wide", "pair"
    (which can be swapped), "several" or "thumbs"."""

    macro: ClassVar[str] = "pictures"
    pictures: Sequence[Picture]
    title: str = ""
    about: str = ""
    layout: str = "pair"


@dataclass(frozen=True, slots=True)
class Plots:
    """Drawings as `<svg>` elements, each with its heading."""

    macro: ClassVar[str] = "plots"
    plots: Sequence[tuple[str, str]]  # title, svg
    title: str = ""
    key: Sequence[tuple[str, str]] = ()  # style of a mark, what it stands for


@dataclass(frozen=True, slots=True)
class Shot:
    """A light in the strip: its picture (None where there is none) and what is known of it."""

    id: str
    name: str
    used: bool
    facts: Sequence[tuple[str, str]]
    picture: Picture | None = None


@dataclass(frozen=True, slots=True)
class Strip:
    """Every light in order of time. The points of plots with the same ids belong to them."""

    macro: ClassVar[str] = "strip"
    shots: Sequence[Shot]


@dataclass(frozen=True, slots=True)
class TargetDepth:
    """A form that tells how many lights a target depth takes; see `report.depth`.

    spread, floor : ADU^2, the stack's variance is spread / n + floor. lights : in the stack.
    exposure : s of one of them, 0 where it is not known.
    """

    macro: ClassVar[str] = "target_depth"
    spread: float
    floor: float
    lights: int
    exposure: float


Block = Text | Bullets | Figures | Table | Pictures | Plots | Strip | TargetDepth


@dataclass(frozen=True, slots=True)
class Part:
    """A section of our own before it is turned into HTML."""

    title: str
    order: int
    blocks: Sequence[Block] = field(default_factory=tuple)
