"""What a library lacks, from its own masters alone: what they need and where they leave off."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import Any

from coldframe.facts import describe
from coldframe.frame import FrameInfo, Kind
from coldframe.library.entry import Entry
from coldframe.library.page import age_days
from coldframe.matching import DEFAULT_RULES, match

FEW = 10
"""Frames below which a master is said to have few: 10 add 5% to the noise of one
light that has no more noise than they (sqrt(1 + 1/10))."""


@dataclass(frozen=True, slots=True)
class Gap:
    """One thing that is missing. what : few frames, aged out, no bias, no flat, temperature."""

    what: str
    camera: str
    kind: str
    words: str


def gaps(entries: Sequence[Entry], ages: Mapping[str, float | None]) -> list[Gap]:
    """Everything missing, by camera."""
    out: list[Gap] = []
    for entry in entries:
        out += _alone(entry, ages[entry.kind.value])
    darks = [e for e in entries if e.kind is Kind.DARK]
    biases = [e.info for e in entries if e.kind is Kind.BIAS]
    out += _no_bias(darks, biases)
    out += _temperatures(darks)
    for camera in dict.fromkeys(e.info.camera or "" for e in entries):
        kinds = {e.kind for e in entries if (e.info.camera or "") == camera}
        for kind in (Kind.BIAS, Kind.DARK, Kind.FLAT):
            if kind not in kinds and not (kind is Kind.BIAS and Kind.DARK in kinds):
                out.append(Gap(f"no {kind.value}", camera, kind.value, f"no {kind.value} at all"))
    return sorted(out, key=lambda gap: (gap.camera, gap.what, gap.words))


def _alone(entry: Entry, limit: float | None) -> list[Gap]:
    out = []
    camera, kind, count = entry.info.camera or "", entry.kind.value, len(entry.shots)
    if 0 < count < FEW:
        words = f"{entry.id} ({entry.label}) has {count} frame{'s' * (count > 1)} only"
        out.append(Gap("few frames", camera, kind, words))
    age = age_days(entry)
    if age is not None and limit is not None and age > limit:
        words = f"{entry.id} ({entry.label}) is {age:.0f} days old; rule {limit:g}"
        out.append(Gap("aged out", camera, kind, words))
    return out


def _no_bias(darks: Sequence[Entry], biases: Sequence[FrameInfo]) -> list[Gap]:
    out: dict[str, Gap] = {}
    for dark in darks:
        if match(dark.info, Kind.BIAS, biases).index is None:
            setting = describe(dark.info, ("iso", "gain_setting", "offset"))
            words = f"no bias for the darks at {setting}: they cannot be scaled to other exposures"
            camera = dark.info.camera or ""
            out.setdefault(camera + words, Gap("no bias", camera, "bias", words))
    return list(out.values())


def _temperatures(darks: Sequence[Entry]) -> list[Gap]:
    """Between which temperatures no dark is within the default tolerance of a light."""
    reach = 2 * DEFAULT_RULES["dark"]["temperature"]
    sets: dict[tuple[Any, ...], list[float]] = {}
    for dark in darks:
        info, temperature = dark.info, dark.info.temperature
        if temperature is not None:
            key = (info.camera, info.iso, info.gain_setting, info.offset, info.exposure)
            sets.setdefault(key, []).append(temperature)
    out = []
    for (camera, iso, gain, offset, exposure), values in sets.items():
        info = FrameInfo(iso=iso, gain_setting=gain, offset=offset, exposure=exposure)
        setting = describe(info, ("exposure", "iso", "gain_setting"))
        steps = sorted(values)
        for low, high in pairwise(steps):
            if high - low > reach:
                words = (
                    f"darks {setting}: none between {low:.1f} and {high:.1f} °C; lights from "
                    f"{low + reach / 2:.1f} to {high - reach / 2:.1f} °C find none near"
                )
                out.append(Gap("temperature", camera or "", "dark", words))
    return out


def as_dicts(found: Sequence[Gap]) -> list[dict[str, str]]:
    """JSON-ready."""
    return [asdict(gap) for gap in found]
