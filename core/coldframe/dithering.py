"""Where lights lie on the sensor, and at how many places: report and shot list count alike."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from coldframe.finished import read_manifest

CELL = 2.0
"""px: lights that lie closer together see the same pixels of a master (our own choice)."""

Shift = tuple[float, float]
"""How far a light lies from the reference, (y, x) in px."""


def positions(shifts: Iterable[Shift]) -> float:
    """At how many dither positions lights lie, those with more lights counting for more.

    1 / sum (n / N)^2 over places of n of the N lights: noise u of a master is averaged down to
    u / positions (variance of a weighted mean). Lights within `CELL` px are at one place. 1 where
    nothing tells.
    """
    tally = Counter((round(y / CELL), round(x / CELL)) for y, x in shifts)
    total = tally.total()
    return 1 / sum((n / total) ** 2 for n in tally.values()) if total else 1.0


def shift_of(measures: Mapping[str, Any]) -> Shift | None:
    """A light's shift among its measures; None where it was not registered."""
    y, x = measures.get("shift_y"), measures.get("shift_x")
    return None if y is None or x is None else (float(y), float(x))


def read_shifts(folder: Path) -> dict[str, Shift]:
    """The shifts of a finished run's lights, by the id of the frame.

    Raises UsageError when the folder is not of a finished run.
    """
    found = {
        frame["id"]: shift_of(frame.get("measures", {}))
        for frame in read_manifest(folder).get("frames", ())
    }
    return {name: shift for name, shift in found.items() if shift is not None}
