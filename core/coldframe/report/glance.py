"""A small copy of a product: all that the report shows of it, so that the product can be let go."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from threading import Lock

import numpy as np

from coldframe.frame import Array, Flag, Frame
from coldframe.planes import plane_of
from coldframe.stretch import averaged, preview

WHOLE = 1400  # px, longest side of a whole picture
CROP = (360, 480)  # px (y, x) of the part shown at full size
SAMPLE = 600  # px, longest side of the sample that a stretch for full size is fitted to
MAP = 500  # px, longest side of a map
BAND = 64  # px, rows that are looked at together
MAPS = ("count", "weight", "high", "low", "background")
"""Planes that are shown, in this order."""


@dataclass(frozen=True, slots=True)
class Map:
    """A plane of a product, made small.

    data : float32 (h, w), the mean over colours. low, high : extremes of the whole plane.
    """

    data: Array
    low: float
    high: float

    @property
    def shown(self) -> tuple[float, float]:
        """The range of the small map without its few most extreme pixels."""
        low, high = np.percentile(self.data, (0.2, 99.8))
        return float(low), float(high)


@dataclass(frozen=True, slots=True)
class Glance:
    """What is kept of one product: the whole made small, and its middle at full size.

    sample : every so many pixels of the whole, which keep the noise of single pixels.
    size : of the product, px (y, x). planes : its planes, which stay in their file.
    mosaic : it is a CFA mosaic, shown with each 2 x 2 as one colour pixel.
    """

    whole: Frame
    crop: Frame
    sample: Frame
    size: tuple[int, int]
    planes: Mapping[str, Array]
    mosaic: bool

    def map(self, name: str) -> Map | None:
        """A plane made small; None when there is none, it holds no number, or is no map."""
        return _map(self.planes, name, self.size) if name in self.planes else None


class Album:
    """Looks at each product once, whichever threads ask for it."""

    def __init__(self, read: Callable[[str], Frame | None]) -> None:
        self._read = read
        self._seen: dict[str, Future[Glance | None]] = {}
        self._lock = Lock()

    def glance(self, key: str | None) -> Glance | None:
        """A small copy of the product, or None when its pixels are gone."""
        if key is None:
            return None
        with self._lock:
            first = key not in self._seen
            seen = self._seen.setdefault(key, Future())
        if first:
            try:
                frame = self._read(key)
                seen.set_result(None if frame is None else glance(frame))
            except BaseException as error:
                seen.set_exception(error)
        return seen.result()


def glance(frame: Frame) -> Glance:
    """The small copy of a frame."""
    colour = colours(frame)
    return Glance(
        whole=preview(colour, WHOLE),
        crop=middle(colour, CROP),
        sample=thin(colour, SAMPLE),
        size=frame.shape,
        planes=frame.planes,
        mosaic=colour.shape != frame.shape,
    )


def colours(frame: Frame) -> Frame:
    """The frame without planes, in colours where it has any, not finite pixels flagged NO_DATA.

    A mosaic becomes an image of half the size: each 2 x 2 block gives one pixel of three colours,
    the greens averaged, with all the flags of the block.
    """
    data, flags = np.asarray(frame.data, np.float32), frame.flags
    bands = [np.s_[..., y : y + BAND, :] for y in range(0, frame.shape[0], BAND)]
    if not all(np.isfinite(data[band]).all() for band in bands):
        finite = np.isfinite(data) if data.ndim == 2 else np.isfinite(data).all(axis=0)
        flags = np.where(finite, flags, flags | np.uint8(Flag.NO_DATA))
    cfa = frame.info.cfa
    if data.ndim == 2 and cfa is not None and set(cfa) == set("RGB") and min(frame.shape) > 1:
        sites = [(y, x) for y in (0, 1) for x in (0, 1)]
        height, width = (size // 2 * 2 for size in frame.shape)
        mosaic, data = data, np.empty((3, height // 2, width // 2), np.float32)
        for plane, colour in zip(data, "RGB", strict=True):
            first, *others = (
                mosaic[y:height:2, x:width:2]
                for (y, x), name in zip(sites, cfa, strict=True)
                if name == colour
            )
            plane[:] = first
            for other in others:
                plane += other
            plane /= 1 + len(others)
        rows = flags[:height:2] | flags[1:height:2]
        flags = rows[:, :width:2] | rows[:, 1:width:2]
    return replace(frame, data=data, flags=flags, planes={})


def middle(frame: Frame, size: tuple[int, int]) -> Frame:
    """The middle of a frame without planes, at most `size` (y, x) pixels."""
    y, x = (max(0, (have - want) // 2) for have, want in zip(frame.shape, size, strict=True))
    part = np.s_[..., y : y + size[0], x : x + size[1]]
    return replace(frame, data=frame.data[part].copy(), flags=frame.flags[part].copy())


def thin(frame: Frame, size: int) -> Frame:
    """Every so many pixels of a frame without planes, so that no side is longer than `size`."""
    step = -(-max(frame.shape) // size)
    part = np.s_[..., ::step, ::step]
    return replace(frame, data=frame.data[part].copy(), flags=frame.flags[part].copy())


def _map(planes: Mapping[str, Array], name: str, size: tuple[int, int]) -> Map | None:
    """A plane with colours averaged, read some rows at a time."""
    plane = plane_of(planes, name)
    if plane.shape[-2:] != size:
        return None
    channels = plane.shape[0] if len(plane.shape) == 3 else 1
    ends: list[tuple[float, float]] = []

    def read(rows: slice) -> tuple[Array, Sequence[Array]]:
        images = [plane.rows(channel, rows.start, rows.stop) for channel in range(channels)]
        flags = np.zeros(images[0].shape, np.uint8)
        if plane.dtype.kind == "f":
            for image in images:
                flags[~np.isfinite(image)] = Flag.NO_DATA
        shown = [image[flags == 0] for image in images] if flags.any() else images
        ends.extend((float(x.min()), float(x.max())) for x in shown if x.size)
        return flags, images

    small, _ = averaged(read, size, channels, MAP)
    if not ends:
        return None
    low, high = min(low for low, _ in ends), max(high for _, high in ends)
    return Map(small.mean(axis=0, dtype=np.float32), low, high)
