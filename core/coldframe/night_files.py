"""Which files of a night's folders are frames, and which notes speak for each."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from coldframe.errors import Problem, RecipeError, UsageError
from coldframe.hooks import FrameReader
from coldframe.notes import FILE_NAMES, Notes
from coldframe.notes_applied import AppliedNotes
from coldframe.notes_file import read_notes

MANIFEST = "coldframe-run.json"
"""Marks a folder as the output of a run: nothing in it is a frame."""

_COMPANIONS = frozenset(
    (
        ".jpg", ".jpeg", ".heic", ".png", ".gif", ".bmp", ".mp4", ".mov", ".avi", ".thm", ".xmp",
        ".txt", ".md", ".csv", ".tsv", ".log", ".json", ".yaml", ".yml", ".toml", ".ini", ".xml",
        ".html", ".pdf", ".ods", ".xlsx", ".zip", ".db", ".tmp", ".part",
    )
)  # fmt: skip
"""What cameras, programs and people commonly leave beside frames: no word is lost on them."""


@dataclass(frozen=True, slots=True)
class Found:
    """A file that a reader takes.

    night : name of the night it belongs to. label : its path below the night's folder.
    """

    path: Path
    reader: FrameReader
    night: str
    label: str
    notes: AppliedNotes


@dataclass(frozen=True, slots=True)
class Listing:
    """Frames in path order, how many other files there were, and what to warn of.

    nights : names of the nights in the order of their folders.
    """

    found: tuple[Found, ...]
    ignored: int
    warnings: tuple[str, ...]
    nights: tuple[str, ...] = ()


def reader_of(path: Path | str, readers: Sequence[FrameReader]) -> FrameReader | None:
    """The first reader one of whose suffixes the file's name ends in."""
    name = os.fspath(path).lower()
    return next((r for r in readers if any(name.endswith(s) for s in r.suffixes)), None)


def list_nights(folders: Sequence[Path], readers: Sequence[FrameReader]) -> Listing:
    """Every frame file in the folders and below them.

    Hidden files and folders, and the output folders of runs, are passed over. Links to folders
    are not followed.

    Raises
    ------
    UsageError
        A folder is missing, is not a folder or holds nothing that a reader takes.
    RecipeError
        Notes files have faults.
    """
    nights = _nights(folders)
    found: list[Found] = []
    problems: list[Problem] = []
    other: Counter[str] = Counter()
    for folder, night in nights.items():
        before = len(found)
        notes_by_folder: dict[Path, Notes | None] = {}
        for here, below, names in os.walk(folder, onerror=_stop):
            place = Path(here)
            below[:] = sorted(
                name
                for name in below
                if not name.startswith(".")
                and place / name not in nights
                and not (place / name / MANIFEST).is_file()
            )
            try:
                notes_by_folder[place] = read_notes(place)
            except RecipeError as error:
                notes_by_folder[place] = None
                problems += error.problems
            for name in sorted(names):
                if name.startswith(".") or name in FILE_NAMES:
                    continue
                reader = reader_of(name, readers)
                if reader is None:
                    other[Path(name).suffix.lower()] += 1
                    continue
                path = place / name
                label = path.relative_to(folder).as_posix()
                notes = _notes_for(path, folder, notes_by_folder)
                found.append(Found(path, reader, night, label, notes))
        if len(found) == before and not problems:
            raise UsageError(_nothing(folder, other, readers))
    if problems:
        raise RecipeError(problems)
    return Listing(tuple(found), other.total(), _unread(other), tuple(nights.values()))


def _nights(folders: Sequence[Path]) -> dict[Path, str]:
    """Absolute folders with their names; where two share a name, with as much of the path as tells
    them apart."""
    if not folders:
        raise UsageError("no night was given; name the folder that holds a night's frames")
    out: dict[Path, str] = {}
    for folder in folders:
        if not folder.exists():
            raise UsageError(
                f"there is no folder {folder}; check the spelling, or plug the disk in"
            )
        if not folder.is_dir():
            raise UsageError(f"{folder} is a file; name the folder that holds the night's frames")
        if (folder / MANIFEST).is_file():
            raise UsageError(
                f"{folder} is the output of a run; name the folder that holds the frames"
            )
        absolute = folder.resolve()
        out[absolute] = absolute.name or str(absolute)
    longest = max(len(path.parts) for path in out)
    for length in range(2, longest + 1):
        names = Counter(out.values())
        for path, name in out.items():
            if names[name] > 1:
                out[path] = "/".join(path.parts[-length:]).replace("//", "/")
    return out


def _stop(error: OSError) -> None:
    raise UsageError(f"the folder {error.filename} cannot be read: {error.strerror}")


def _notes_for(
    path: Path, folder: Path, notes_by_folder: Mapping[Path, Notes | None]
) -> AppliedNotes:
    out = []
    place = path.parent
    while True:
        notes = notes_by_folder.get(place)
        if notes is not None:
            out.append((notes, path.relative_to(place).as_posix()))
        if place == folder:
            return AppliedNotes(tuple(out))
        place = place.parent


def _nothing(folder: Path, other: Counter[str], readers: Sequence[FrameReader]) -> str:
    kinds = ", ".join(sorted({suffix for reader in readers for suffix in reader.suffixes}))
    if not other:
        return f"{folder} is empty; name the folder that holds the night's frames"
    there = ", ".join(suffix or "no suffix" for suffix, _ in other.most_common(5))
    return f"{folder} holds no frames: only files with {there}. Frames end in {kinds}"


def _unread(other: Counter[str]) -> tuple[str, ...]:
    strange = sorted(set(other) - _COMPANIONS)
    return tuple(
        f"{other[suffix]} {'file' if other[suffix] == 1 else 'files'} "
        f"{f'ending in {suffix}' if suffix else 'without a suffix'} passed over: "
        "no plugin reads such files as frames"
        for suffix in strange
    )
