"""What calibrating a frame will do otherwise than asked, told from facts alone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from coldframe.frame import FrameInfo, Kind
from coldframe.known_offset import dark_signal_known, tells_offset

SAME_EXPOSURE = 0.005
"""Exposures this near are the same: cameras round what they write down."""


def foresee(frame: FrameInfo, masters: Mapping[str, FrameInfo], params: Mapping[str, Any]) -> str:
    """See `Step.foresee`: the same rules by which `offset` and `process` go."""
    offset_known = "bias" in masters or bool(params.get("overscan")) or tells_offset(frame)
    if frame.kind is Kind.FLAT and not offset_known and "dark-flat" not in masters:
        return (
            "nothing tells the offset of the flats (no bias, dark flat or dark, no black level): "
            "they keep it and correct too little; shoot bias frames of their settings"
        )
    if frame.kind is not Kind.LIGHT:
        return ""
    dark = masters.get("dark")
    if dark is None:
        if "flat" in masters and not offset_known:
            return (
                "nothing tells the offset of the lights (no bias or dark, no black level): it is "
                "divided by the flat as if it were light; shoot bias frames of their settings"
            )
        return ""
    if "bias" in masters or params.get("overscan") or dark_signal_known(frame, dark):
        return ""
    scaling = params.get("dark_scaling")
    wanted = scaling == "fit" or (scaling == "exposure" and _differ(frame, dark))
    if not wanted:
        return ""
    return (
        "no bias, black level or overscan tells the signal of the dark from its offset: it is "
        "subtracted as it is, not scaled; with bias frames of these settings it would be"
    )


def _differ(frame: FrameInfo, dark: FrameInfo) -> bool:
    mine, theirs = frame.exposure, dark.exposure
    return bool(mine and theirs) and abs((mine or 0) / (theirs or 1) - 1) > SAME_EXPOSURE
