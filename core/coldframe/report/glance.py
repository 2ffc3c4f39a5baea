"""A small copy of a product: all that the report shows of it, so that the product can be let go."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from coldframe.frame import Array, Flag, Frame

WHOLE = 1400  # px, longest side of a whole picture
CROP = (360, 480)  # px (y, x) of the part shown at full size
MAP = 500  # px, longest side of a map
MAPS = ("count", "weight", "high", "low", "background")
"""Planes that are shown, in this order."""


@dataclass(frozen=True, slots=True)
class Small:
    """A small picture in the frame's own units.

    data : float32 (c, h, w), c 1 or 3; NaN where nothing was measured.
    factor : pixels of the frame along one side of a pixel here.
    """

    data: Array
    factor: float


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
        good = self.data[np.isfinite(self.data)]
        low, high = np.percentile(good, (0.2, 99.8)) if good.size else (0.0, 0.0)
        return float(low), float(high)


@dataclass(frozen=True, slots=True)
class Glance:
    """What is kept of one product. A CFA frame is shown with each 2 x 2 as one colour pixel."""

    whole: Small
    crop: Small
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
    pixels = colours(frame)
    planes = {n: p for n, p in frame.planes.items() if p.shape[-2:] == frame.shape}
    maps = {name: _map(planes[name]) for name in MAPS if name in planes}
    return Glance(
        whole=shrink(pixels, WHOLE),
        crop=Small(middle(pixels, CROP), 1.0),
        maps={name: plane for name, plane in maps.items() if plane is not None},
        mosaic=frame.info.cfa is not None and frame.data.ndim == 2,
    )


def colours(frame: Frame) -> Array:
    """Float32 (c, y, x) with NaN where the frame has no data.

    A mosaic becomes an image of half the size: each 2 x 2 block gives one pixel of three colours,
    the greens averaged.
    """
    empty = (frame.flags & np.uint8(Flag.NO_DATA)) > 0
    data = np.asarray(frame.channels, np.float32)
    if empty.any():
        data = np.where(empty, np.float32(np.nan), data)
    cfa = frame.info.cfa
    if frame.data.ndim == 3 or cfa is None or set(cfa) != set("RGB") or min(frame.shape) < 2:
        return data
    height, width = (size // 2 * 2 for size in frame.shape)
    sites = [data[0, y:height:2, x:width:2] for y in (0, 1) for x in (0, 1)]
    planes = []
    for colour in "RGB":
        same = [site for site, name in zip(sites, cfa, strict=True) if name == colour]
        planes.append(np.mean(same, axis=0, dtype=np.float32))
    return np.stack(planes)


def middle(pixels: Array, size: tuple[int, int]) -> Array:
    """The middle (c, h, w) of an image, at most `size` (y, x)."""
    corner = [max(0, (have - want) // 2) for have, want in zip(pixels.shape[1:], size, strict=True)]
    y, x = corner
    return pixels[:, y : y + size[0], x : x + size[1]].copy()


def shrink(pixels: Array, size: int) -> Small:
    """Whole blocks of pixels averaged until the longest side is at most `size`.

    Pixels that are NaN are left out of their block's mean.
    """
    factor = max(1, -(-max(pixels.shape[1:]) // size))
    height, width = (max(1, length // factor) for length in pixels.shape[1:])
    step_y, step_x = (min(factor, length) for length in pixels.shape[1:])
    means = np.empty((len(pixels), height, width), np.float32)
    for mean, plane in zip(means, pixels, strict=True):  # one colour at a time for the memory
        cut = plane[: height * step_y, : width * step_x]
        good = np.isfinite(cut)
        if good.all():
            mean[...] = _block_sums(cut, step_y, step_x) / (step_y * step_x)
            continue
        count = _block_sums(good, step_y, step_x)
        total = _block_sums(np.where(good, cut, np.float32(0)), step_y, step_x)
        mean[...] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return Small(means, float(factor))


def _block_sums(plane: Array, step_y: int, step_x: int) -> Array:
    """Float64 sums over blocks; rows first, which runs along the memory."""
    height, width = plane.shape[0] // step_y, plane.shape[1]
    rows = plane.reshape(height, step_y, width).sum(axis=1, dtype=np.float64)
    sums: Array = rows.reshape(height, width // step_x, step_x).sum(axis=2)
    return sums


def resize(small: Small, size: int) -> Small:
    """The same picture, smaller still."""
    again = shrink(small.data, size)
    return Small(again.data, again.factor * small.factor)


def _map(plane: Array) -> Map | None:
    """The plane with colours averaged; None when it holds no number."""
    good = plane if np.isfinite(plane).all() else plane[np.isfinite(plane)]
    if good.size == 0:
        return None
    small = shrink(plane if plane.ndim == 3 else plane[np.newaxis], MAP).data
    return Map(small.mean(axis=0), float(good.min()), float(good.max()))
