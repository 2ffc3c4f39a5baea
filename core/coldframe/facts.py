"""Facts about a frame in words: how a label or a message shows them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from coldframe.frame import FrameInfo

FACTS = (
    "kind",
    "camera",
    "target",
    "filter",
    "exposure",
    "iso",
    "gain_setting",
    "offset",
    "temperature",
    "optics",
    "lens",
    "aperture",
    "focal_length",
    "night",
    "binning",
    "shape",
    "cfa",
)
"""Facts that frames can be grouped by, in the order in which a label names them."""

SENSOR_FACTS = ("camera", "shape", "binning", "cfa")
"""Facts that must agree before two frames' pixels can be compared at all."""


def fact(info: FrameInfo, name: str) -> Any:
    """The value of one fact, or None. A lens that the camera names stands for optics."""
    if name == "optics":
        return info.optics or info.lens
    return getattr(info, name)


def exposure_text(seconds: float) -> str:
    """Such as "120 s", "1.5 s" or "1/250 s"."""
    if 0 < seconds < 0.4:
        denominator = round(1 / seconds)
        if abs(seconds * denominator - 1) < 0.02:
            return f"1/{denominator} s"
    return f"{seconds:.4g} s"


def show(name: str, value: Any) -> str:
    """One fact with its unit; what is not known is said to be unknown."""
    if value is None:
        return f"no {name}" if name in ("filter", "target") else f"{fact_words(name)} unknown"
    match name:
        case "exposure":
            return exposure_text(value)
        case "iso":
            return f"ISO {value}"
        case "gain_setting":
            return f"gain {value:g}"
        case "offset":
            return f"offset {value:g}"
        case "temperature":
            return f"{round(value, 1) + 0.0:.1f} °C"
        case "aperture":
            return f"f/{value:g}"
        case "focal_length":
            return f"{value:g} mm"
        case "binning":
            return f"binning {value[0]}×{value[1]}"
        case "shape":
            return f"{value[0]}×{value[1]} px"
    return str(value)


def describe(
    info: FrameInfo, names: Iterable[str] = ("kind", "filter", "exposure", "iso", "temperature")
) -> str:
    """The known ones of these facts, joined: "dark · 120 s · ISO 1600 · 14.2 °C"."""
    parts = [show(name, fact(info, name)) for name in names if fact(info, name) is not None]
    return " · ".join(parts) or info.label


def fact_words(name: str) -> str:
    """The fact's name as a sentence has it."""
    return {"iso": "ISO", "cfa": "CFA", "gain_setting": "gain"}.get(name, name.replace("_", " "))
