"""A master's page: its facts, frames, numbers, and whether others like it agree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

from coldframe.frame import Kind
from coldframe.interpolation import Doubling
from coldframe.library.compare import Verdict, compare_levels, compare_shapes, same_settings
from coldframe.library.dark_current import Current, current, doubling_of
from coldframe.library.entry import Entry
from coldframe.library.library import Library

MOST = 8
"""Masters of the same settings that a page is compared with, those nearest in time first."""


def verdicts(library: Library, entry: Entry, entries: Sequence[Entry]) -> list[Verdict]:
    """What the tests say of a master against others of the same settings."""
    others = sorted(
        (other for other in entries if same_settings(entry, other)), key=lambda o: _apart(entry, o)
    )[:MOST]
    if not others:
        return []
    if entry.kind is Kind.FLAT:
        own = library.store.frame(entry.key)
        found = [compare_shapes(entry, o, own, library.store.frame(o.key)) for o in others]
    else:
        camera = [e for e in entries if e.info.camera == entry.info.camera]
        doubling = doubling_of(camera)
        known = current(entry, [e for e in camera if e.kind is Kind.BIAS])
        rate = known.value if isinstance(known, Current) else 0.0
        law = doubling if isinstance(doubling, Doubling) else None
        found = [compare_levels(entry, o, law, rate) for o in others]
    return [verdict for verdict in found if verdict is not None]


def _apart(a: Entry, b: Entry) -> float:
    if a.info.start is None or b.info.start is None:
        return float("inf")
    return abs((a.info.start - b.info.start).total_seconds())


def age_days(entry: Entry, now: datetime | None = None) -> float | None:
    """Days since the master's frames were taken; None when that is unknown."""
    if entry.info.start is None:
        return None
    return ((now or datetime.now(UTC)) - entry.info.start).total_seconds() / 86400


def summary(entry: Entry, limit: float | None) -> dict[str, Any]:
    """One row of a list, JSON-ready. aged_out : too old for a light taken today."""
    age = age_days(entry)
    return {
        "id": entry.id,
        "key": entry.key,
        "kind": entry.kind.value,
        "camera": entry.info.camera,
        "label": entry.label,
        "frames": len(entry.shots),
        "noise": entry.measures.get("temporal_noise", entry.measures.get("noise")),
        "taken": entry.info.start.isoformat() if entry.info.start else None,
        "age_days": None if age is None else round(age, 1),
        "aged_out": age is not None and limit is not None and age > limit,
        "added": entry.added,
    }


def page(library: Library, entry: Entry) -> dict[str, Any]:
    """All there is to know about a master, JSON-ready."""
    entries = library.entries()
    camera = [e for e in entries if e.info.camera == entry.info.camera]
    out = {
        **summary(entry, library.ages[entry.kind.value]),
        "facts": entry.info.to_dict(),
        "measures": dict(entry.measures),
        "recipe": entry.recipe,
        "step": entry.step,
        "versions": dict(entry.versions),
        "file": str(library.store.file(entry.key)),
        "shots": [asdict(shot) for shot in entry.shots],
    }
    if entry.kind is Kind.DARK:
        out["dark_current"] = _dark_current(entry, camera)
    out["compared"] = [asdict(v) for v in verdicts(library, entry, entries)]
    return out


def _dark_current(entry: Entry, camera: Sequence[Entry]) -> dict[str, Any]:
    found = current(entry, [e for e in camera if e.kind is Kind.BIAS])
    if isinstance(found, str):
        return {"unknown": found}
    out: dict[str, Any] = {
        "value": found.value,
        "error": found.error,
        "unit": "ADU/s",
        "bias": found.bias.id,
    }
    if entry.info.gain is not None:
        out["electrons"] = found.value * entry.info.gain
        out["electrons_error"] = found.error * entry.info.gain
    law = doubling_of(camera)
    out["doubling"] = asdict(law) if isinstance(law, Doubling) else {"unknown": law}
    return out
