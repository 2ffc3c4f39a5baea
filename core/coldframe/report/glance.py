"""A small copy of a product: all that the report shows of it, so that the product can be let go."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from coldframe.frame import Array, Flag, Frame, FrameInfo
from coldframe.stretch import preview

WHOLE = 1400  # px, longest side of a whole picture
CROP = (360, 480)  # px (y, x) of the part shown at full size
SAMPLE = 600  # px, longest side of the sample that a stretch for full size is fitted to
MAP = 500  # px, longest side of a map
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
    mosaic : it is a CFA mosaic, shown with each 2 x 2 as one colour pixel.
    """

    whole: Frame
    crop: Frame
    sample: Frame
    maps: Mapping[str, Map]
    mosaic: bool


class Album:
    """Looks at each product once."""

    def __init__(self, read: Callable[[str], Frame | None]) -> None:
        self._read = read
        self._seen: dict[str, Glance | None] = {}

    def glance(self, key: str | None) -> Glance | None:
        """A small copy of the product, or None when its pixels are gone."""
        if key is None:
            return None
        if key not in self._seen:
            frame = self._read(key)
            self._seen[key] = None if frame is None else glance(frame)
        return self._seen[key]


def glance(frame: Frame) -> Glance:
    """The small copy of a frame."""
    colour = colours(frame)
    # One plane after another: each may be as large as the picture.
    maps = {name: _map(frame, name) for name in MAPS if name in frame.planes}
    return Glance(
        whole=preview(colour, WHOLE),
        crop=middle(colour, CROP),
        sample=thin(colour, SAMPLE),
        maps={name: plane for name, plane in maps.items() if plane is not None},
        mosaic=colour.shape != frame.shape,
    )


def colours(frame: Frame) -> Frame:
    """The frame without planes, in colours where it has any, not finite pixels flagged NO_DATA.

    A mosaic becomes an image of half the size: each 2 x 2 block gives one pixel of three colours,
    the greens averaged, with all the flags of the block.
    """
    data, flags = np.asarray(frame.data, np.float32), frame.flags
    finite = np.isfinite(data) if data.ndim == 2 else np.isfinite(data).all(axis=0)
    if not finite.all():
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


def _map(frame: Frame, name: str) -> Map | None:
    """A plane with colours averaged; None when it holds no number or is no map of the frame."""
    plane = frame.planes[name]
    if plane.shape[-2:] != frame.shape:
        return None
    images = plane if plane.ndim == 3 else plane[np.newaxis]
    flags = np.zeros(frame.shape, np.uint8)
    if plane.dtype.kind == "f":
        for image in images:
            flags[~np.isfinite(image)] = Flag.NO_DATA
        if flags.all():
            return None
    shown = [image[flags == 0] for image in images] if flags.any() else images
    low, high = min(float(x.min()) for x in shown), max(float(x.max()) for x in shown)
    small = preview(Frame(plane, flags, FrameInfo()), MAP)
    return Map(small.channels.mean(axis=0, dtype=np.float32), low, high)
