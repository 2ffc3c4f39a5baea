"""Planes that stay in their files until they are asked for, a whole or some rows at a time.

A stack has half a dozen planes beside its pixels, and hardly any reader wants more than one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import accumulate
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from coldframe.errors import DamagedError

Array = NDArray[Any]

PIECE = 1 << 20  # bytes moved at once: enough for the disk, and small beside any frame


class Plane(Protocol):
    """An array (y, x) or (c, y, x), in memory, in a file or not yet worked out. Rows are native
    arrays."""

    @property
    def shape(self) -> tuple[int, ...]: ...
    @property
    def dtype(self) -> np.dtype[Any]: ...
    def rows(self, channel: int, y0: int, y1: int) -> Array: ...


@dataclass(frozen=True, slots=True)
class Held:
    """A plane in memory."""

    array: Array

    @property
    def shape(self) -> tuple[int, ...]:
        """(y, x) or (c, y, x)."""
        return self.array.shape

    @property
    def dtype(self) -> np.dtype[Any]:
        """Of the array."""
        return self.array.dtype

    def rows(self, channel: int, y0: int, y1: int) -> Array:
        """A view of some rows of one colour."""
        return (self.array if self.array.ndim == 2 else self.array[channel])[y0:y1]


@dataclass(frozen=True, slots=True)
class Filed:
    """A plane in a FITS file.

    at : where its data begin, bytes. stored : type in the file, big-endian. zero : BZERO of
    unsigned whole numbers, else 0 (FITS 4.0, section 5.2.5).
    """

    path: Path
    at: int
    shape: tuple[int, ...]
    stored: np.dtype[Any]
    zero: int = 0

    @property
    def dtype(self) -> np.dtype[Any]:
        """What the values are once read."""
        native = self.stored.newbyteorder("=")
        return np.dtype(native.str.replace("i", "u")) if self.zero else native

    def rows(self, channel: int, y0: int, y1: int) -> Array:
        """Some rows of one colour, (y1 - y0, x). Raises DamagedError."""
        height, width = self.shape[-2:]
        out = np.empty((y1 - y0, width), self.dtype)
        self._fill((channel * height + y0) * width, out)
        return out

    def fill(self, channel: int, y0: int, y1: int, out: Array) -> None:
        """The same into `out`, C-contiguous, of any type. Raises DamagedError."""
        if out.dtype == self.dtype and out.flags.c_contiguous:
            height, width = self.shape[-2:]
            self._fill((channel * height + y0) * width, out)
        else:
            out[...] = self.rows(channel, y0, y1)

    def whole(self) -> Array:
        """All of it. Raises DamagedError."""
        out = np.empty(self.shape, self.dtype)
        self._fill(0, out)
        return out

    def _fill(self, first: int, out: Array) -> None:
        if not out.size:
            return
        flat: Any = out.reshape(-1)
        view, size = memoryview(flat).cast("B"), flat.itemsize
        try:
            with self.path.open("rb", buffering=0) as file:
                file.seek(self.at + first * self.stored.itemsize)
                for start in range(0, view.nbytes, PIECE):
                    self._read(file, view[start : start + PIECE])
                    # At once and in place, while it is in the processor's cache.
                    piece = flat[start // size : (start + PIECE) // size]
                    if not self.stored.isnative:
                        piece.byteswap(inplace=True)
                    if self.zero:
                        piece ^= piece.dtype.type(self.zero)  # BZERO turns over the sign bit
        except OSError as error:
            raise DamagedError(f"cannot read {self.path}: {error.strerror}", self.path) from error

    def _read(self, file: Any, piece: memoryview) -> None:
        while piece:
            got = file.readinto(piece)
            if not got:
                raise DamagedError(f"{self.path} is shorter than its header says", self.path)
            piece = piece[got:]


@dataclass(frozen=True, slots=True)
class Blank:
    """Flags (y, x) of a frame of which no pixel has any: they take no room in its file."""

    shape: tuple[int, ...]

    @property
    def dtype(self) -> np.dtype[Any]:
        """As flags have it."""
        return np.dtype(np.uint8)

    def rows(self, channel: int, y0: int, y1: int) -> Array:
        """Zeros, (y1 - y0, x)."""
        return np.zeros((y1 - y0, self.shape[-1]), np.uint8)

    def fill(self, channel: int, y0: int, y1: int, out: Array) -> None:
        """The same into `out`."""
        out[...] = 0

    def whole(self) -> Array:
        """All of it."""
        return np.zeros(self.shape, np.uint8)


@dataclass(frozen=True, slots=True)
class Joined:
    """Planes one below another, taken as one."""

    parts: tuple[Plane, ...]

    @property
    def shape(self) -> tuple[int, ...]:
        """(y, x) or (c, y, x)."""
        first = self.parts[0].shape
        return (*first[:-2], sum(part.shape[-2] for part in self.parts), first[-1])

    @property
    def dtype(self) -> np.dtype[Any]:
        """Of every part."""
        return self.parts[0].dtype

    def rows(self, channel: int, y0: int, y1: int) -> Array:
        """Some rows of one colour, (y1 - y0, x). Raises DamagedError."""
        out = np.empty((y1 - y0, self.shape[-1]), self.dtype)
        ends = list(accumulate(part.shape[-2] for part in self.parts))
        for part, end in zip(self.parts, ends, strict=True):
            start = end - part.shape[-2]
            first, last = max(y0, start), min(y1, end)
            if first < last:
                out[first - y0 : last - y0] = part.rows(channel, first - start, last - start)
        return out


def pieces(plane: Plane) -> Iterator[Array]:
    """A plane from its first value to its last, about `PIECE` bytes of whole rows at a time."""
    height, width = plane.shape[-2:]
    step = max(1, PIECE // max(1, width * plane.dtype.itemsize))
    for channel in range(plane.shape[0] if len(plane.shape) == 3 else 1):
        for y in range(0, height, step):
            yield plane.rows(channel, y, min(height, y + step))


def whole(plane: Plane) -> Array:
    """All of a plane in memory. Raises DamagedError."""
    if isinstance(plane, Held):
        return plane.array
    if isinstance(plane, Filed | Blank):
        return plane.whole()
    out = np.empty(plane.shape, plane.dtype)
    flat, at = out.reshape(-1), 0
    for piece in pieces(plane):
        flat[at : at + piece.size] = piece.reshape(-1)
        at += piece.size
    return out


class Planes(Mapping[str, Array]):
    """Named planes, each read or worked out when it is asked for and then forgotten. Never
    changes."""

    def __init__(self, planes: Mapping[str, Plane]) -> None:
        self._planes = dict(planes)

    def __getitem__(self, name: str) -> Array:
        return whole(self._planes[name])

    def __contains__(self, name: object) -> bool:
        return name in self._planes

    def __iter__(self) -> Iterator[str]:
        return iter(self._planes)

    def __len__(self) -> int:
        return len(self._planes)

    def plane(self, name: str) -> Plane:
        """A plane without reading it or working it out."""
        return self._planes[name]


def plane_of(planes: Mapping[str, Array], name: str) -> Plane:
    """One of a frame's planes, left in its file if it is there, or still to be worked out."""
    return planes.plane(name) if isinstance(planes, Planes) else Held(planes[name])


def with_planes(planes: Mapping[str, Array], more: Mapping[str, Array | Plane]) -> Planes:
    """A frame's planes and `more`, which replace those of the same name or come last."""
    old = {name: plane_of(planes, name) for name in planes}
    new = {name: Held(one) if isinstance(one, np.ndarray) else one for name, one in more.items()}
    return Planes(old | new)


def only(planes: Mapping[str, Array], names: Iterable[str]) -> Planes:
    """Those of a frame's planes that are named, in the frame's order."""
    wanted = set(names)
    return Planes({name: plane_of(planes, name) for name in planes if name in wanted})
