"""Gain and read noise of a setting that was not measured itself, as far as physics tells them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from coldframe.camera.file import CameraFile, Setting
from coldframe.camera.known import files_of, setting_of
from coldframe.camera.measure import bias_variance
from coldframe.camera.transfer import Value, read_noise
from coldframe.camera.window import Window
from coldframe.frame import FrameInfo

SCALE_ERROR = 0.1
"""How far gain may be off the inverse of the ISO number, as standard uncertainty: cameras' ISO
numbers are rounded, and each maker sets them a little otherwise (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """gain : e-/ADU. read_noise : ADU, without rounding. note : where they come from, in words."""

    gain: Value
    read_noise: Value
    note: str


def estimate(
    info: FrameInfo, biases: Sequence[FrameInfo], cameras: Sequence[CameraFile], window: Window
) -> Estimate | None:
    """The numbers at a light's ISO from those at the nearest ISO whose gain is known; None if none.

    biases : bias frames of the light's own setting.

    Notes
    -----
    The ISO number is in proportion to the level that an exposure gives (ISO 12232, from memory), so
    e-/ADU go as 1 / ISO where the file's numbers are the converter's own. Read noise is not in
    proportion to anything: it is taken from the light's own setting only, in ADU, where the camera
    file or two bias frames tell it.
    """
    known = setting_of(info, cameras)
    noise = _file_noise(known[1]) if known else None
    where = "the camera file"
    if noise is None:
        frames = window.gather(list(biases[:_ENOUGH]), None) if len(biases) > 1 else None
        noise, where = (read_noise(bias_variance(frames)) if frames else None), "the bias frames"
    found = _nearest(info, cameras)
    if noise is None or found is None or not info.iso:
        return None
    camera, setting = found
    assert setting.iso is not None
    assert setting.gain is not None
    gain = setting.gain * setting.iso / info.iso
    off = math.hypot((setting.gain_error or 0.0) / setting.gain, SCALE_ERROR)
    return Estimate(
        Value(gain, gain * off),
        noise,
        f"gain was not measured at ISO {info.iso}: it is that of ISO {setting.iso} in "
        f"{camera.name} ({setting.gain:.4g} e-/ADU) taken in proportion to 1 / ISO, which holds "
        f"to about {SCALE_ERROR:.0%}; read noise at ISO {info.iso} is told by {where}",
    )


_ENOUGH = 6  # bias frames: their noise is then known better than the gain by far


def _file_noise(setting: Setting) -> Value | None:
    if setting.read_noise_adu is None:
        return None
    return Value(setting.read_noise_adu, setting.read_noise_adu_error or 0.0)


def _nearest(info: FrameInfo, cameras: Sequence[CameraFile]) -> tuple[CameraFile, Setting] | None:
    if not info.iso:
        return None
    wanted = float(info.iso)
    known = [
        (abs(math.log2(one.iso / wanted)), camera, one)
        for camera in files_of(info, cameras)
        for one in camera.settings
        if one.iso and one.gain
    ]
    if not known:
        return None
    return min(known, key=lambda entry: entry[0])[1:]


def what_is_known(info: FrameInfo, cameras: Sequence[CameraFile]) -> str:
    """What camera files know of a frame's camera, for a message; "" when no file knows it."""
    parts = []
    for camera in files_of(info, cameras):
        both = [_setting_words(s) for s in camera.settings if s.gain and s.read_noise]
        noise = [_setting_words(s) for s in camera.settings if s.read_noise_adu and not s.gain]
        told = [
            f"{what} at {', '.join(names)}"
            for what, names in (("gain and read noise", both), ("read noise in ADU only", noise))
            if names
        ]
        parts.append(f"{camera.name} knows {' and '.join(told) or 'no gain at all'}")
    return "; ".join(parts)


def _setting_words(setting: Setting) -> str:
    if setting.iso:
        return f"ISO {setting.iso}"
    return "no ISO or gain" if setting.gain_setting is None else f"gain {setting.gain_setting:g}"
