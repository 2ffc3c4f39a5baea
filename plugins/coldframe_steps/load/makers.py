"""What some camera makers store outside the Exif standard.

The makers publish no description of their maker notes; which field means what is common practice,
no source.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from coldframe.frame import FrameInfo

_DEGREES = re.compile(r"^(-?\d+) C$")
_SHOT_INFO = re.compile(r"-?\d+")


def fix(info: FrameInfo, header: Mapping[str, Any]) -> FrameInfo | None:
    """The camera's own temperature, where its maker stores one; None when nothing is to be fixed."""
    make = str(header.get("Image Make", "")).strip().lower()
    if info.temperature is not None or make != "canon":
        return None
    degrees = _canon(header)
    if degrees is None:
        return None
    return replace(info, temperature=degrees, temperature_source="camera metadata")


def _canon(header: Mapping[str, Any]) -> float | None:
    """Body temperature: a byte, °C + 128; 0 where the camera has no sensor for it."""
    found = _DEGREES.match(str(header.get("MakerNote CameraTemperature", "")))
    if found:
        degrees = float(found[1])
    else:
        # In .cr3 files the maker note is a directory of its own; ShotInfo is its tag 4, and the
        # temperature the value after the first twelve.
        values = _SHOT_INFO.findall(str(header.get("MakerNote Tag 0x0004", "")))
        if len(values) < 13:
            return None
        degrees = float(values[12]) - 128
    return degrees if -100 < degrees < 120 else None
