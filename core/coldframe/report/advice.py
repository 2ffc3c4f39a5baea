"""What would bring a frame back that was set aside."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from coldframe.report.record import FrameRecord, RunRecord

_MISSING = re.compile(r"\bno ([a-z-]+) serves it\b")
_SIZE = re.compile(r"\bpixels and the master\b|\bCFA pattern\b")


def bring_back(record: RunRecord, frame: FrameRecord) -> str:
    """In plain words; what it takes is named, whether it is wise is the photographer's to say."""
    reason = frame.reason
    missing = _MISSING.search(reason)
    if frame.step == "inspect":
        return f"if you know better: --use-anyway '{frame.info.label}'"
    if frame.step == "scan" or "cannot be read" in reason:
        return "a sound copy of the file, from the card or a backup"
    if frame.step == "recipe":
        return "a recipe with an input for this kind of frame, or another kind in the notes file"
    if missing:
        return (
            f"{missing[1]} frames that match this light, in the night or in the calibration "
            "library ('What to shoot next' has the settings)"
        )
    if _SIZE.search(reason):
        return "masters of the same size and CFA pattern as this frame"
    step = next((s for s in record.steps if s.get("id") == frame.step), None)
    named = _parameter(step, reason) if step else None
    if named:
        return named
    if "is darker than its" in reason:
        return "the right dark or bias: compare exposure, ISO or gain, and temperature of both"
    if "temperature" in reason or "exposure time" in reason:
        return "the missing fact in the night's notes file"
    return "nothing but a better frame"


def _parameter(step: Mapping[str, Any], reason: str) -> str | None:
    """The limit that the reason speaks of, and how to move it."""
    params: Mapping[str, Any] = step.get("params") or {}
    ident = step.get("id")
    if "'min_stars'" in reason and "min_stars" in params:
        return (
            f"a clear sky or good focus; a lower limit with --with {ident}.min_stars=... "
            f"(now {params['min_stars']:g}) seldom helps"
        )
    for name in params:
        if f"'{name}'" in reason:
            way = "lower" if name.startswith("min") else "higher"
            return f"if you know better, a {way} limit: --with {ident}.{name}=... (now {params[name]:g})"
    return None
