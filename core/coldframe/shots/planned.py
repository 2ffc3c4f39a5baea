"""Lights that are planned: the text of --for."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from coldframe.camera.file import CameraFile
from coldframe.errors import UsageError
from coldframe.frame import FrameInfo, Kind
from coldframe.shots.items import Plan

_NUMBERS = {
    "gain": "gain_setting",
    "offset": "offset",
    "exposure": "exposure",
    "temperature": "temperature",
    "aperture": "aperture",
    "focal-length": "focal_length",
}
_TEXTS = ("camera", "filter", "optics")
_WHOLE = ("iso", "lights")
_KEYS = (*_TEXTS, *_WHOLE, *_NUMBERS, "sky")


def read_plan(text: str, frames: Sequence[FrameInfo], cameras: Sequence[CameraFile]) -> Plan:
    """A plan from "camera=...,iso=...,exposure=...,temperature=...,lights=...,sky=...".

    A camera may be named by a part of its name when only one among the frames and the camera
    files has it.

    Raises UsageError for keys and values that make no sense, or without camera and exposure.
    """
    facts: dict[str, Any] = {}
    count, sky = 20, None
    for part in text.split(","):
        key, equals, value = (p.strip() for p in part.partition("="))
        if not equals or key not in _KEYS:
            near = difflib.get_close_matches(key, _KEYS, n=1)
            hint = f"; did you mean {near[0]}?" if near else f"; keys are {', '.join(_KEYS)}"
            raise UsageError(f"--for: '{part.strip()}' is not KEY=VALUE with a known key{hint}")
        if key in _TEXTS:
            facts[key] = value
            continue
        try:
            number = int(value) if key in _WHOLE else float(value)
        except ValueError:
            raise UsageError(f"--for: {key} must be a number, not '{value}'") from None
        if number <= 0 and key in ("iso", "lights", "exposure", "sky", "aperture", "focal-length"):
            raise UsageError(f"--for: {key} must be above zero, not {value}")
        if key == "lights":
            count = int(number)
        elif key == "sky":
            sky = float(number)
        else:
            facts[_NUMBERS.get(key, key)] = number
    for needed in ("camera", "exposure"):
        if needed not in facts:
            raise UsageError(f"--for needs {needed}=..., such as camera=N1,iso=1600,exposure=120")
    facts["camera"] = _camera(facts["camera"], frames, cameras)
    like = next((f for f in frames if f.camera == facts["camera"]), None)
    file = next((c for c in cameras if c.camera == facts["camera"]), None)
    base = FrameInfo(
        kind=Kind.LIGHT,
        shape=like.shape if like else file.shape if file else None,
        cfa=like.cfa if like else file.cfa if file else None,
        binning=like.binning if like else None,
    )
    return Plan(replace(base, **facts), count, sky)


def _camera(name: str, frames: Sequence[FrameInfo], cameras: Sequence[CameraFile]) -> str:
    known = sorted({f.camera for f in frames if f.camera} | {c.camera for c in cameras})
    if name in known:
        return name
    like = [k for k in known if name.lower() in k.lower()]
    if len(like) > 1:
        raise UsageError(f"--for: camera '{name}' may be {' or '.join(like)}; name it in full")
    return like[0] if like else name
