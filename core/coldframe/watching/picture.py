"""The growing stack: a running mean of the frames so far, for looking at."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from coldframe.errors import SetAside, StoreError
from coldframe.frame import UNUSABLE, Array, Flag, Frame, FrameInfo
from coldframe.hooks import StarGauge
from coldframe.optional_hooks import GaugeError
from coldframe.product import read_frame, write_frame
from coldframe.stretch import fit_stretch, preview, render

LONGEST = 1400  # px, the preview's longer side
_SAMPLE = 200_000  # pixels that a level is taken of


@dataclass
class Picture:
    """A running mean, pixel by pixel, of what each frame has there.

    Each frame's own sky level is brought to the first one's, so that a sky that changes leaves no
    edges. Nothing is rejected or weighted: the run at the night's end does that. One frame costs
    one pass, however many there are.
    """

    label: str = ""  # of the stack
    recipe: str = ""  # digest of the recipe its frames were made by
    recipe_file: str = ""
    anchors: dict[str, dict[str, str]] = field(default_factory=dict)  # see `pinned.Pins`
    frames: list[str] = field(default_factory=list)  # ids
    flux: dict[str, float] = field(default_factory=dict)  # by id
    uncalibrated: int = 0
    exposure: float = 0.0
    noise_of_one: float = 0.0
    levels: list[float] = field(default_factory=list)
    mean: Array | None = None  # float32 (c, y, x)
    count: Array | None = None  # uint16 (y, x)
    saturated: Array | None = None  # bool (y, x)
    info: FrameInfo = field(default_factory=FrameInfo)

    def add(self, name: str, frame: Frame, *, calibrated: bool) -> None:
        """Take one frame in. Raises SetAside when it has another size, or no usable pixel."""
        data = np.asarray(frame.channels, np.float32)
        good = (frame.flags & np.uint8(UNUSABLE)) == 0
        if not good.any():
            raise SetAside(f"{frame.info.label}: has no usable pixel")
        levels = [_level(plane, good) for plane in data]
        if self.mean is None or self.count is None or self.saturated is None:
            self.mean = np.zeros(data.shape, np.float32)
            self.count = np.zeros(good.shape, np.uint16)
            self.saturated = np.zeros(good.shape, bool)
            self.levels = levels
            self.info = replace(frame.info, path="", digest="", kind_reason="")
        elif self.mean.shape != data.shape:
            raise SetAside(f"{frame.info.label}: is {data.shape}, the others {self.mean.shape}")
        self.count += good
        share = good / np.maximum(self.count, 1).astype(np.float32)
        for mean, plane, level, first in zip(self.mean, data, levels, self.levels, strict=True):
            mean += (plane - np.float32(level - first) - mean) * share
        self.saturated |= (frame.flags & np.uint8(Flag.SATURATED)) != 0
        self.frames.append(name)
        self.exposure += frame.info.exposure or 0.0
        self.uncalibrated += not calibrated
        if "flux_ratio" in frame.measures:
            self.flux[name] = float(frame.measures["flux_ratio"])

    @property
    def frame(self) -> Frame:
        """The picture so far. There must be one."""
        assert self.mean is not None
        assert self.count is not None
        assert self.saturated is not None
        flags = np.where(self.count == 0, np.uint8(Flag.NO_DATA), np.uint8(0))
        flags |= np.where(self.saturated, np.uint8(Flag.SATURATED), np.uint8(0))
        data = self.mean if len(self.mean) > 1 else self.mean[0]
        return Frame(data, flags, self.info)

    def numbers(self, gauge: StarGauge | None) -> dict[str, float]:
        """How deep it is: noise and sky in ADU, FWHM in px, gain over its first frame."""
        if gauge is None or self.mean is None:
            return {}
        try:
            found, _ = gauge.measure(self.frame)
        except (SetAside, GaugeError):
            return {}
        out = {name: float(found[name]) for name in ("noise", "sky", "fwhm") if name in found}
        if len(self.frames) == 1:
            self.noise_of_one = out.get("noise", 0.0)
        if self.noise_of_one and out.get("noise"):
            out["improvement"] = self.noise_of_one / out["noise"]
        return out

    def png(self) -> bytes:
        """The stretched preview."""
        from PIL import Image

        small = preview(self.frame, LONGEST)
        out = io.BytesIO()
        stretch = fit_stretch(small.data, small.flags, together=True)
        Image.fromarray(render(small, stretch)).save(out, format="PNG")
        return out.getvalue()

    def save(self, path: Path) -> None:
        """Write it, atomically: what went in is told in the same file, so that a process killed
        at any moment counts no frame twice."""
        if self.mean is None or self.count is None or self.saturated is None:
            return
        told = {
            "label": self.label,
            "recipe": self.recipe,
            "recipe_file": self.recipe_file,
            "anchors": self.anchors,
            "frames": self.frames,
            "flux": self.flux,
            "uncalibrated": self.uncalibrated,
            "exposure": self.exposure,
            "noise_of_one": self.noise_of_one,
            "levels": self.levels,
        }
        frame = replace(
            self.frame,
            planes={"count": self.count},
            history=(json.dumps(told, separators=(",", ":")),),
        )
        write_frame(path, frame, checksum=False, durable=False)


def load(path: Path) -> Picture | None:
    """What `save` wrote; None when there is nothing that can be gone on with."""
    try:
        frame = read_frame(path)
        told: Mapping[str, Any] = json.loads(frame.history[0])
        picture = Picture(**told)
        picture.mean = np.array(frame.channels, np.float32)
        picture.count = np.array(frame.planes["count"], np.uint16)
        picture.saturated = (frame.flags & np.uint8(Flag.SATURATED)) != 0
        picture.info = frame.info
    except (StoreError, ValueError, KeyError, TypeError, IndexError):
        return None
    return picture


def _level(plane: Array, good: Array) -> float:
    values = plane[good]
    return float(np.median(values[:: max(1, values.size // _SAMPLE)]))
