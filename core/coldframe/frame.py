"""What flows between steps: the frame, its facts and its flags."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from datetime import datetime
from enum import IntFlag, StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
"""Any numpy array; the docstrings give shape and type."""


class Kind(StrEnum):
    """What a frame was shot as."""

    LIGHT = "light"
    DARK = "dark"
    FLAT = "flat"
    BIAS = "bias"
    DARK_FLAT = "dark-flat"


class Flag(IntFlag):
    """Bits of a frame's flag plane. Files carry these; NaN never stands for a flag."""

    SATURATED = 1  # at or above the white level: the value is only a lower bound
    HOT = 2  # dark signal far above its neighbours in the master dark
    COLD = 4  # responds far less than its neighbours in the master flat, or is dead
    NO_DATA = 8  # nothing was measured here (outside the frame after resampling, masked area)
    TRANSIENT = 16  # cosmic ray or trail
    CLIPPED = 32  # at the bottom of the converter's range: the value is only an upper bound
    REPAIRED = 64  # value estimated from same-colour neighbours


UNUSABLE = Flag.NO_DATA | Flag.TRANSIENT
"""Pixels with any of these bits are left out of every statistic."""


@dataclass(frozen=True, slots=True)
class FrameInfo:
    """The facts about one frame. Missing is None, never a guess.

    Sizes are (y, x) pixels of `data`; exposure in s; temperatures in °C; focal length in mm;
    black and white levels in ADU, black one value per CFA position (order of a row-major 2 x 2)
    or a single value; gain in e-/ADU; read noise in e-. Regions are (y0, y1, x0, x1), past the end.
    """

    kind: Kind | None = None
    kind_reason: str = ""
    path: str = ""
    hdu: int | None = None  # extension number inside a multi-extension FITS file
    plane: int | None = None  # plane number inside a FITS cube
    digest: str = ""  # blake2b of the file's bytes, hex
    camera: str | None = None  # make and model as the camera says
    lens: str | None = None
    optics: str | None = None  # what the photographer calls this lens or telescope
    iso: int | None = None
    gain_setting: float | None = None  # a cooled camera's gain number; not e-/ADU
    offset: float | None = None
    gain: float | None = None
    read_noise: float | None = None
    exposure: float | None = None
    temperature: float | None = None
    temperature_source: str | None = None  # header, camera metadata, notes file
    aperture: float | None = None
    focal_length: float | None = None
    filter: str | None = None
    binning: tuple[int, int] | None = None  # (y, x)
    shape: tuple[int, int] | None = None  # (y, x)
    overscan: tuple[int, int, int, int] | None = None  # rows and columns read without light
    trim: tuple[int, int, int, int] | None = None  # rows and columns of the picture
    cfa: str | None = None  # colours of the top left 2 x 2, row-major, such as "RGGB"
    black: tuple[float, ...] | None = None
    white: float | None = None
    start: datetime | None = None  # UTC, start of exposure
    target: str | None = None
    night: str | None = None  # the folder the frame came from

    def __post_init__(self) -> None:
        if self.kind is not None and not isinstance(self.kind, Kind):
            object.__setattr__(self, "kind", Kind(self.kind))  # readers may give the plain word

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready facts; fields without a value are left out."""
        out: dict[str, Any] = {}
        for f in fields(self):
            value = getattr(self, f.name)
            if value is None or value == "":
                continue
            if isinstance(value, datetime):
                value = value.isoformat()
            elif isinstance(value, tuple):
                value = list(value)
            elif isinstance(value, StrEnum):
                value = value.value
            out[f.name] = value
        return out

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> FrameInfo:
        """The inverse of `to_dict`."""
        known = dict(values)
        if "start" in known:
            known["start"] = datetime.fromisoformat(known["start"])
        for name in ("binning", "shape", "black", "overscan", "trim"):
            if name in known:
                known[name] = tuple(known[name])
        return cls(**known)

    @property
    def label(self) -> str:
        """A short name for messages."""
        name = self.path.rsplit("/", 1)[-1] if self.path else (self.target or "frame")
        if self.hdu is not None:
            name += f"[{self.hdu}]"
        if self.plane is not None:
            name += f"[plane {self.plane}]"
        return name


@dataclass(frozen=True, slots=True)
class Ancestor:
    """One entry of a product's ancestry: a store key and what made it."""

    key: str
    step: str  # step name and version; "read NAME" for a source frame; "" when it is not known
    params: str  # JSON; of a source frame its facts, with the digest of its file
    inputs: tuple[str, ...]
    label: str = ""  # what people call it


@dataclass(frozen=True, slots=True)
class Frame:
    """Pixels, flags, facts and how they came about.

    data : float32, (y, x) for a CFA mosaic or mono frame, (3, y, x) for colour, in ADU.
        A frame fresh from a reader may be uint16; steps see float32.
    flags : uint8 bit mask of `Flag`, (y, x).
    planes : further named (y, x) or (3, y, x) arrays, such as "variance" or "count".
    measures : numbers about this frame by column name; units in the step's `columns`.
    history : one line for each step that made it.
    provenance : every product and source file behind this one; the engine fills it in for
        products written for people.
    """

    data: Array
    flags: Array
    info: FrameInfo
    planes: Mapping[str, Array] = field(default_factory=dict)
    measures: Mapping[str, float] = field(default_factory=dict)
    history: tuple[str, ...] = ()
    provenance: tuple[Ancestor, ...] = ()

    def __post_init__(self) -> None:
        if self.data.ndim not in (2, 3) or self.data.shape[-2:] != self.flags.shape:
            raise ValueError(
                f"{self.info.label}: data {self.data.shape} and flags {self.flags.shape} differ"
            )

    @property
    def shape(self) -> tuple[int, int]:
        """(y, x)."""
        y, x = self.data.shape[-2:]
        return y, x

    @property
    def channels(self) -> Array:
        """A (c, y, x) view, whatever the number of colours."""
        return self.data if self.data.ndim == 3 else self.data[np.newaxis]

    def with_pixels(self, data: Array, flags: Array | None = None, **info: Any) -> Frame:
        """The same frame with other pixels (and changed facts, such as cfa=None)."""
        return replace(
            self,
            data=data,
            flags=self.flags if flags is None else flags,
            info=replace(self.info, **info) if info else self.info,
        )

    def with_measures(self, **measures: float) -> Frame:
        """The same frame with more numbers about it."""
        return replace(self, measures={**self.measures, **measures})
