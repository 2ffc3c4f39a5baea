"""Overscan: pixels read out without light, that follow the bias level of this very frame."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from coldframe.errors import StepError
from coldframe.frame import Array, Flag, Frame, FrameInfo
from coldframe_steps.calibrate.robust import clipped_mean

Region = Sequence[int]
"""[y0, y1, x0, x1] in pixels of the untrimmed frame; y1 and x1 are past the end."""


@dataclass(frozen=True, slots=True)
class Regions:
    """Where a frame's overscan and picture lie. by_row : a level for each row."""

    overscan: Region | None
    trim: Region | None
    by_row: bool

    @classmethod
    def of(cls, info: FrameInfo, params: Mapping[str, Any]) -> Regions:
        """As the recipe says, else as the frame's own header does."""
        overscan, trim = params["overscan"] or info.overscan, params["trim"] or info.trim
        return cls(
            tuple(overscan) if overscan else None,
            tuple(trim) if trim else None,
            params["overscan_by"] == "row",
        )


def overscan_level(data: Array, region: Region, by_row: bool) -> Array:
    """The overscan's clipped mean: float32 (1, 1), or (height, 1) row by row.

    Rows outside the region take the level of the nearest row in it.
    """
    y0, y1, x0, x1 = region
    part = data[y0:y1, x0:x1]
    if not by_row:
        return np.full((1, 1), clipped_mean(part.ravel()), np.float32)
    rows = np.array([clipped_mean(row) for row in part], np.float32)
    place = np.clip(np.arange(data.shape[0]) - y0, 0, rows.size - 1)
    return rows[place][:, np.newaxis]


def correct(frame: Frame, regions: Regions) -> tuple[Frame, float]:
    """Subtract the overscan level and cut off what is not picture.

    Doing it twice does no harm: what is left of the overscan is then 0. Returns the corrected
    frame and the mean level subtracted (ADU). Saturated pixels are flagged
    by their value before, since the level differs from frame to frame. The CFA pattern and the
    black levels turn with an odd cut.

    Raises
    ------
    StepError when a region does not lie in the frame.
    """
    overscan, trim = regions.overscan, regions.trim
    info, data, flags = frame.info, frame.data, frame.flags
    level = 0.0
    if overscan is not None:
        _inside(frame, overscan, "overscan")
        levels = overscan_level(data, overscan, regions.by_row)
        level = float(levels.mean())
        if info.white is not None:
            flags = np.where(data >= info.white, flags | np.uint8(Flag.SATURATED), flags)
            info = replace(info, white=info.white - level)
        data = data - levels
        if any(info.black or ()):
            info = replace(info, black=None)  # the overscan has taken its place
    if trim is not None:
        _inside(frame, trim, "trim")
        y0, y1, x0, x1 = trim
        data = np.ascontiguousarray(data[y0:y1, x0:x1])
        flags = np.ascontiguousarray(flags[y0:y1, x0:x1])
        planes = {name: plane[..., y0:y1, x0:x1] for name, plane in frame.planes.items()}
        frame = replace(frame, data=data, flags=flags, planes=planes)
        info = _turned(replace(info, shape=data.shape), y0 % 2, x0 % 2)
        info = replace(info, overscan=None, trim=None)
    return replace(frame, data=data, flags=flags, info=info), level


def _turned(info: FrameInfo, dy: int, dx: int) -> FrameInfo:
    order = [(y + dy) % 2 * 2 + (x + dx) % 2 for y in (0, 1) for x in (0, 1)]
    if info.cfa is not None:
        info = replace(info, cfa="".join(info.cfa[p] for p in order))
    if info.black is not None and len(info.black) == 4:
        info = replace(info, black=tuple(info.black[p] for p in order))
    return info


def _inside(frame: Frame, region: Region, what: str) -> None:
    height, width = frame.shape
    y0, y1, x0, x1 = region
    if not (0 <= y0 < y1 <= height and 0 <= x0 < x1 <= width):
        raise StepError(
            f"{what} region {list(region)} is not inside {frame.info.label}, which has "
            f"{height} rows and {width} columns: give [first row, past last row, first column, "
            "past last column]"
        )
