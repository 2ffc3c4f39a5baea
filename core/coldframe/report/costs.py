"""What missing or ill-fitting masters cost a run, in numbers."""

from __future__ import annotations

from collections.abc import Sequence

from coldframe.evidence.surface import surface
from coldframe.report.findings import lights, missing_masters, results
from coldframe.report.numbers import count, number
from coldframe.report.record import FrameRecord, RunRecord


def costs(record: RunRecord) -> tuple[str, ...]:
    """A line for each kind of master that used lights lack, or that could not be fitted to them."""
    used = [frame for frame in lights(record) if frame.used]
    lines = []
    for kind, frames in missing_masters(record).items():
        # A dark has its bias in it.
        without = [f for f in frames if kind != "bias" or "dark" not in {u.kind for u in f.masters}]
        if without and kind in _WORDS:
            lines.append(
                f"{_who(without, used)} no master {kind}: {_WORDS[kind]}{_shading(kind, record)}"
            )
    return (*lines, *_unmatched(used), *_fitted(used))


_WORDS = {
    "bias": "the pattern of the offset stays",
    "dark": "hot pixels are left to rejection, and dark current stays as a sky of its own",
    "flat": "vignetting and dust stay",
}


def _who(frames: Sequence[FrameRecord], used: Sequence[FrameRecord]) -> str:
    verb = "has" if len(frames) == 1 else "have"
    return f"{len(frames)} of {count(len(used), 'light')} {verb}"


def _shading(kind: str, record: RunRecord) -> str:
    """How much darker the corners are, where no flat took it out."""
    if kind != "flat":
        return ""
    found = []
    for result in results(record):
        frame = record.read(result.stack.id)
        falloff = surface(frame).get("falloff") if frame is not None else None
        if falloff is not None:
            found.append(100 * float(falloff[0]))
    if not found:
        return ""
    return (
        f"; the sky is {number(max(found), 2)}% darker in the corners of the stack, and stars "
        "lose as much there"
    )


def _span(values: Sequence[float]) -> str:
    low, high = min(values), max(values)
    words = [f"{value:+.0f}%" for value in (low, high)]
    return words[0] if words[0] == words[1] else f"{words[0]} to {words[1]}"


def _unmatched(used: Sequence[FrameRecord]) -> list[str]:
    """Darks that were subtracted as they were because nothing told their signal."""
    off = {f.id: f.measures["dark_unmatched"] for f in used if "dark_unmatched" in f.measures}
    if not off:
        return []
    frames = [f for f in used if f.id in off]
    return [
        f"{_who(frames, used)} a dark that could not be scaled for want of a bias: "
        f"{_span(list(off.values()))} of its signal stays (told by hot pixels and exposures)"
    ]


def _fitted(used: Sequence[FrameRecord]) -> list[str]:
    """Darks far off in temperature, fitted to hot pixels."""
    far = [
        (frame, use.distances.get("temperature", 0.0))
        for frame in used
        for use in frame.masters
        if use.kind == "dark" and "fitted" in use.note
    ]
    if not far:
        return []
    frames = [frame for frame, _ in far]
    scatter = [v for f in frames if (v := f.measures.get("dark_scale_scatter")) is not None]
    scales = [v for f in frames if (v := f.measures.get("dark_scale")) is not None]
    words = f"a dark up to {max(off for _, off in far):.1f} °C off"
    if scales:
        low, high = number(min(scales), 3), number(max(scales), 3)
        words += f", scaled by {low}" + ("" if low == high else f" to {high}")
    if scatter:
        words += f": {number(max(scatter), 2)}% of the signal of hot pixels stays"
    return [f"{_who(frames, used)} {words}"]
