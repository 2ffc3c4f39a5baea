"""What a light frame says of its sky: level and noise by colour, above the camera's offset."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coldframe.camera.sets import COLOURS, positions
from coldframe.camera.window import Window
from coldframe.errors import UsageError
from coldframe.frame import UNUSABLE, Array, FrameInfo
from coldframe.pixel_noise import pixel_noise
from coldframe.stretch import sky_level

_ENOUGH = 1_000_000  # pixels of one colour: 0.1% of the noise
_FEW_BIAS = 6  # frames whose mean tells the offset well enough


@dataclass(frozen=True, slots=True)
class Sky:
    """One light. level : ADU above the offset by colour. noise : of single pixels, ADU."""

    info: FrameInfo
    level: dict[str, float]
    noise: dict[str, float]


@dataclass(frozen=True, slots=True)
class Offset:
    """Level without light by CFA position, ADU. error : how well it is known. source : from what."""

    level: tuple[float, ...]
    error: float
    source: str


def offset_of(
    light: FrameInfo,
    biases: Sequence[FrameInfo],
    measured: tuple[float, ...] | None,
    window: Window,
) -> Offset:
    """The offset of a light: from bias frames, else a camera file, else what its file states.

    Raises UsageError when nothing tells it.
    """
    cfa = window.cfa(light)
    if biases:
        means = [
            [float(p.mean()) for p in positions(data, cfa)]
            for data, _ in window.pixels(biases[:_FEW_BIAS])
        ]
        if means:
            spread = float(np.std(np.mean(means, axis=1))) if len(means) > 1 else 0.5
            level = tuple(float(v) for v in np.mean(means, axis=0))
            return Offset(level, max(spread / len(means) ** 0.5, 0.05), "the bias frames")
    count = 4 if cfa else 1
    if measured is not None and len(measured) in (1, count):
        return Offset(measured * (count // len(measured)), 0.3, "the camera file")
    decoded = window.frame(light)
    stated = light.black or (decoded[2].black if decoded else None)
    if stated is not None and len(stated) in (1, count):
        # Cameras' stated levels are whole numbers, and drift (common practice, no source).
        return Offset(stated * (count // len(stated)), 1.0, "the black level that the file states")
    raise UsageError(
        f"{light.label}: its level without light is not known; add bias frames of the same setting, "
        "or name a camera file with --camera"
    )


def sky_of(light: FrameInfo, offset: Offset, window: Window) -> Sky | None:
    """Sky level and pixel noise of one light; None when it cannot be read."""
    found = window.frame(light)
    if found is None:
        return None
    data, flags, _ = found
    cfa = window.cfa(light)
    levels: dict[str, list[float]] = {}
    noises: dict[str, list[float]] = {}
    colours = cfa or ("mono",)
    parts = zip(colours, positions(data, cfa), positions(flags, cfa), offset.level, strict=True)
    for colour, part, bad, black in parts:
        thin = np.s_[:: _thin(part), :: _thin(part)]
        good = part[thin][(bad[thin] & UNUSABLE) == 0]
        levels.setdefault(colour, []).append(sky_level(good)[0] - black)
        noises.setdefault(colour, []).append(pixel_noise(part.astype(np.float32), bad))
    names = [c for c in (*COLOURS, "mono") if c in levels]
    return Sky(
        light,
        {c: float(np.mean(levels[c])) for c in names},
        {c: float(np.mean(noises[c])) for c in names},
    )


def _thin(plane: Array) -> int:
    """Every how many rows and columns to take: `_ENOUGH` pixels tell as much as all."""
    return max(1, int((plane.size / _ENOUGH) ** 0.5))
