"""Applies every notes file that speaks for a frame to what is known of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

from coldframe.frame import FrameInfo, Kind
from coldframe.notes import Notes

SOURCE = "notes file"
SCENE = {
    "target": (Kind.LIGHT,),
    "filter": (Kind.LIGHT, Kind.FLAT),
    "optics": (Kind.LIGHT, Kind.FLAT),
}
"""Facts that mean nothing for frames shot with the shutter or the cap closed."""


@dataclass(frozen=True, slots=True)
class AppliedNotes:
    """The notes that speak for one file, the nearest first, each with the file's path below it."""

    chain: tuple[tuple[Notes, str], ...] = ()

    def leave_out(self) -> str | None:
        """Why the file is to be left out; None when it is not."""
        for notes, path in self.chain:
            said = notes.verdict(path)
            if said is not None:
                return f"left out by {_name(notes)}: {said}" if said else None
        return None

    def use_anyway(self) -> str:
        """The notes file that says to use the file, whatever is found; "" when none does."""
        for notes, path in self.chain:
            said = notes.verdict(path)
            if said is not None:
                return "" if said else _name(notes)
        return ""

    def kind_by_file(self) -> tuple[Kind, str] | None:
        """(kind, why) by an entry of `files`."""
        for notes, path in self.chain:
            found = notes.kind_by_file(path)
            if found is not None:
                return found[0], f"{_name(notes)}: files '{found[1]}'"
        return None

    def kind_by_glob(self) -> tuple[Kind, str] | None:
        """(kind, why) by `kinds`."""
        for notes, path in self.chain:
            found = notes.kind_by_glob(path)
            if found is not None:
                return found[0], f"{_name(notes)}: kinds '{found[1]}'"
        return None

    def complete(self, info: FrameInfo, camera_clock: bool = False) -> FrameInfo:
        """The frame's facts with what the notes know, all but the scene (see `scene`).

        camera_clock : the start time is by the camera's clock, no offset stored in the file.
        """
        changes = self._facts(info, lambda name: name not in SCENE)
        if camera_clock and info.start is not None:
            changes["start"] = info.start - self._offset()
        if "temperature" in changes:
            changes["temperature_source"] = SOURCE
        info = replace(info, **changes)
        if info.temperature is None and info.start is not None:
            middle = info.start + timedelta(seconds=(info.exposure or 0) / 2)
            for notes, _ in self.chain:
                reading = notes.temperature_at(middle)
                if reading is not None:
                    return replace(info, temperature=reading, temperature_source=SOURCE)
        return info

    def scene(self, info: FrameInfo) -> FrameInfo:
        """Target, filter and optics, for a frame whose kind is known and that has them."""
        return replace(info, **self._facts(info, lambda name: info.kind in SCENE.get(name, ())))

    def _facts(self, info: FrameInfo, wanted: Callable[[str], bool]) -> dict[str, Any]:
        """What fills a gap, from the nearest notes that know it, and what replaces a fact."""
        gaps: dict[str, Any] = {}
        forced: dict[str, Any] = {}
        for notes, path in reversed(self.chain):
            gaps |= notes.facts
            forced |= notes.file_facts(path)
        gaps = {name: value for name, value in gaps.items() if getattr(info, name) is None}
        return {name: value for name, value in (gaps | forced).items() if wanted(name)}

    def _offset(self) -> timedelta:
        known = (notes.utc_offset for notes, _ in self.chain)
        return next((offset for offset in known if offset is not None), timedelta())


def _name(notes: Notes) -> str:
    return Path(notes.file).name or "notes"
