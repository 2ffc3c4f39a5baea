"""A background's surfaces at the pixels of a frame: told, taken off, and kept as a plane."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from coldframe.frame import Array, Flag, Frame
from coldframe.planes import plane_of
from coldframe_steps.background.surfaces import Sheet
from coldframe_steps.kernels.pixels import readonly
from coldframe_steps.kernels.surface import extent, remove_surface

EMPTY = int(Flag.NO_DATA)

BAND = 1 << 16
"""Pixels that a surface is worked out for at once: few enough to stay in the processor's cache."""


@dataclass(frozen=True, slots=True)
class Background:
    """The plane of a background. It is worked out whenever it is asked for, some rows at a time:
    that takes less than the memory to keep it in.

    sheets : a surface for each colour. shape : (y, x) or (c, y, x).
    """

    sheets: tuple[Sheet, ...]
    shape: tuple[int, ...]

    @property
    def dtype(self) -> np.dtype[np.float32]:
        """That of pixels."""
        return np.dtype(np.float32)

    def rows(self, channel: int, y0: int, y1: int) -> Array:
        """Some rows of one colour, (y1 - y0, x)."""
        out = np.empty((y1 - y0, self.shape[-1]), np.float32)
        self.sheets[channel].fill(y0, out)
        return out


def bands(sheet: Sheet, shape: tuple[int, int]) -> Iterator[tuple[slice, Array]]:
    """A surface over a frame band by band: which rows, and their values until the next band."""
    height, width = shape
    step = max(1, min(height, BAND // width))
    room = np.empty((step, width), np.float32)
    for y in range(0, height, step):
        values = room[: height - y]
        sheet.fill(y, values)
        yield slice(y, y + len(values)), values


def lowest(sheet: Sheet, flags: Array) -> float:
    """Least value of a surface where a frame has data."""
    flags = readonly(flags, np.uint8)
    low, high = _no_ends(flags.shape[1])
    for rows, values in bands(sheet, flags.shape):
        extent(values, flags[rows], EMPTY, low, high)
    return float(low.min())


def remove(
    frame: Frame, sheets: Sequence[Sheet], levels: Array, divide: bool, keep: bool
) -> tuple[Array, Array]:
    """Take each colour's surface off a frame where there is data, in one pass over the pixels.

    Parameters
    ----------
    levels : float32 (c,), ADU; of the surfaces, divided by or added. divide, keep : see
        `remove_surface`.

    Returns
    -------
    Pixels, float32 in the shape of the frame's; surfaces' peak to valley, float64 (c,), ADU.
    """
    flags = readonly(frame.flags, np.uint8)
    out = np.empty(frame.data.shape, np.float32)
    ranges = np.empty(len(sheets))
    cleaned = out.reshape(frame.channels.shape)
    for c, (sheet, plane) in enumerate(zip(sheets, frame.channels, strict=True)):
        image, level = readonly(plane), float(levels[c])
        low, high = _no_ends(frame.shape[1])
        for rows, values in bands(sheet, frame.shape):
            extent(values, flags[rows], EMPTY, low, high)
            remove_surface(
                image[rows], values, flags[rows], EMPTY, level, divide, keep, cleaned[c, rows]
            )
        ranges[c] = float(high.max()) - float(low.min())
    return out, ranges


def divided_variance(frame: Frame, sheets: Sequence[Sheet], levels: Array) -> Array:
    """The plane "variance" of a frame that `remove` divided."""
    variance = plane_of(frame.planes, "variance")
    out = np.empty(frame.data.shape, np.result_type(variance.dtype, np.float32))
    for c, sheet in enumerate(sheets):
        target = out.reshape(frame.channels.shape)[c]
        for rows, values in bands(sheet, frame.shape):
            there = (frame.flags[rows] & EMPTY) == 0
            factor = np.where(there, levels[c] / values, np.float32(1))
            target[rows] = variance.rows(c, rows.start, rows.stop) * factor**2
    return out


def _no_ends(width: int) -> tuple[Array, Array]:
    """Least and greatest value of each column before any was seen."""
    return np.full(width, np.inf, np.float32), np.full(width, -np.inf, np.float32)
