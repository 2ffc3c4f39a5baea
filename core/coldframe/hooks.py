"""The pluggy hook specifications: every way a plugin can add to Coldframe."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import pluggy

from coldframe.frame import Array, Frame, FrameInfo
from coldframe.step import Step

if TYPE_CHECKING:
    from coldframe.report.record import RunRecord

PROJECT = "coldframe"
hookspec = pluggy.HookspecMarker(PROJECT)
hookimpl = pluggy.HookimplMarker(PROJECT)


class FrameReader(Protocol):
    """Reads one file format. Stateless: made once, called from many threads."""

    name: str
    version: str
    about: str  # what it reads, in a line
    suffixes: Sequence[str]  # lower case, with the dot, such as ".dng" or ".fits.gz"

    def read_info(self, path: Path) -> Sequence[tuple[FrameInfo, Mapping[str, Any]]]:
        """Facts of every frame in the file, with the raw header, without decoding pixels.

        Raises SetAside when the file is not one this reader can read.
        """
        ...

    def read_frame(self, info: FrameInfo) -> Frame:
        """The pixels of one frame that `read_info` told of (info.path, info.hdu, info.plane).

        Data is uint16 or float32 exactly as stored; flags mark clipped and saturated pixels.
        Raises SetAside when the file is truncated or otherwise unreadable.
        """
        ...


class ProductWriter(Protocol):
    """Writes a product for people: the `outputs:` block of a recipe names it."""

    name: str
    version: str
    about: str
    params: Mapping[str, Mapping[str, Any]]  # JSON Schema properties, as for a step

    def write(self, frame: Frame, folder: Path, stem: str, params: Mapping[str, Any]) -> Path:
        """Write one file into `folder`, atomically, and return its path."""
        ...


class StarGauge(Protocol):
    """Measures the stars of a raw light, for the inspection. Stateless: called from many threads."""

    name: str
    version: str

    def measure(self, frame: Frame) -> tuple[Mapping[str, float], Array]:
        """(stars, sky, noise and, when stars tell them, fwhm and roundness; positions).

        Data is as a reader gives it. Positions are float64 (n, 2), x and y in px, brightest first.
        Raises SetAside when the frame has no usable pixels.
        """
        ...

    def same_field(self, own: Array, other: Array) -> bool:
        """Whether two lists of positions show the same stars, whatever shift or rotation."""
        ...


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the report: title, order (10, 20, ...) and self-contained, escaped HTML."""

    title: str
    order: int
    html: str


@hookspec
def coldframe_steps() -> Sequence[type[Step]]:  # type: ignore[empty-body]
    """Return the step classes this plugin adds."""


@hookspec
def coldframe_readers() -> Sequence[FrameReader]:  # type: ignore[empty-body]
    """Return the frame readers this plugin adds; the first whose suffix fits reads the file."""


@hookspec
def coldframe_writers() -> Sequence[ProductWriter]:  # type: ignore[empty-body]
    """Return the product writers this plugin adds, for a recipe's `outputs:` block."""


@hookspec(firstresult=True)
def coldframe_fix_metadata(info: FrameInfo, header: Mapping[str, Any]) -> FrameInfo | None:
    """Return corrected facts for a camera this plugin knows, else None."""


@hookspec
def coldframe_report_sections(record: RunRecord) -> Sequence[Section]:  # type: ignore[empty-body]
    """Return sections to add to the report of a finished run."""


@hookspec(firstresult=True)
def coldframe_star_gauge() -> StarGauge | None:
    """Return what measures the stars of raw lights when they are inspected."""
