"""From folders of files to a table of frames: every fact known, every kind decided or said why not.

A frame's kind comes from the first of: `kind` under `files` in the notes; its own header; `kinds`
globs in the notes; the caller's patterns; its pixels and exposure. `kind_reason` keeps which.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Set
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from coldframe.company import company
from coldframe.decoded import decoded
from coldframe.digests import DigestCache
from coldframe.errors import ColdframeError, SetAside
from coldframe.frame import FrameInfo, Kind
from coldframe.hooks import FrameReader
from coldframe.kinds import BIAS_EXPOSURE, Peers, recognise, same_exposure
from coldframe.look import LOOK_VERSION, Look, look
from coldframe.night_files import MANIFEST, Found, list_nights, reader_of
from coldframe.notes import fits

__all__ = ["MANIFEST", "DigestCache", "NightScan", "reader_for", "scan"]

Fix = Callable[[FrameInfo, Mapping[str, Any]], FrameInfo]
_FROM_PIXELS = "pixels: "


@dataclass(frozen=True, slots=True)
class NightScan:
    """What the folders hold.

    frames : in order of start time, then path. set_aside : (label, reason) of each file or frame
    left out. ignored : files that are no frames. warnings : lines for the photographer.
    labels : of each frame, its path below the night's folder. kept : for each frame, the notes
    file that says `use_anyway: true` of it, "" when none does. nights : their names, in the order given.
    """

    frames: tuple[FrameInfo, ...]
    set_aside: tuple[tuple[str, str], ...]
    ignored: int = 0
    warnings: tuple[str, ...] = ()
    labels: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()
    nights: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Entry:
    """One frame on its way through the scan. decode : facts that only its pixels can tell."""

    found: Found
    info: FrameInfo
    decode: bool = False
    seen: Look | None = None

    @property
    def label(self) -> str:
        """The file's path below the night's folder, with extension and plane."""
        return self.found.label + self.info.label.removeprefix(self.found.path.name)


@dataclass(frozen=True, slots=True)
class _Aside:
    label: str
    reason: str


def scan(
    folders: Sequence[Path],
    readers: Sequence[FrameReader],
    fix: Fix,
    *,
    patterns: Mapping[str, Sequence[str]] | None = None,
    digests: DigestCache | None = None,
    workers: int = 2,
    only: Set[Path] | None = None,
    watch: Callable[[int, int], None] | None = None,
) -> NightScan:
    """Read the facts of every frame in the folders and below them.

    Parameters
    ----------
    folders : one for each night. readers : the first whose suffix fits reads a file.
    fix : corrects the facts of cameras it knows, given the raw header.
    patterns : kind -> globs, applied after header and notes. digests : what earlier scans found.
    workers : threads that read files. only : absolute paths; other files are as if they were not there.
    watch : called with (frames looked at, frames in all).

    Raises
    ------
    UsageError
        A folder is missing or holds no frames.
    RecipeError
        Notes files have faults, all of them at once.
    """
    digests = DigestCache() if digests is None else digests
    listing = list_nights(folders, readers)
    there = [found for found in listing.found if only is None or found.path in only]
    aside: list[_Aside] = []
    with ThreadPoolExecutor(max_workers=max(workers, 1)) as pool:
        read = partial(_read, fix=fix, digests=digests)
        entries = _sort_out(pool.map(read, there), aside)
        entries = _drop_copies(entries, aside)
        entries = [_told_kind(entry, patterns or {}) for entry in entries]
        seen = pool.map(partial(_see, digests=digests), entries)
        entries = _sort_out(([entry] for entry in _counted(seen, len(entries), watch)), aside)
    digests.save()
    entries = _sort_out(([entry] for entry in _decide(entries, listing.nights)), aside)
    entries = [replace(entry, info=_with_scene(entry)) for entry in entries]
    entries.sort(key=lambda entry: _order(entry.info))
    return NightScan(
        frames=tuple(entry.info for entry in entries),
        set_aside=tuple(sorted((a.label, a.reason) for a in aside)),
        ignored=listing.ignored,
        warnings=listing.warnings + tuple(_idle_globs(listing.found, patterns or {})),
        labels=tuple(entry.label for entry in entries),
        kept=tuple(entry.found.notes.use_anyway() for entry in entries),
        nights=listing.nights,
    )


def reader_for(info: FrameInfo, readers: Sequence[FrameReader]) -> FrameReader:
    """The reader of the frame's file. Raises SetAside when no plugin reads such files any more."""
    reader = reader_of(info.path, readers)
    if reader is None:
        raise SetAside(f"{info.label}: no plugin reads such files; was one uninstalled?")
    return reader


def _counted(
    entries: Iterable[_Entry | _Aside], total: int, watch: Callable[[int, int], None] | None
) -> Iterator[_Entry | _Aside]:
    for number, entry in enumerate(entries, 1):
        yield entry
        if watch is not None:
            watch(number, total)


def _sort_out(results: Iterable[Sequence[_Entry | _Aside]], aside: list[_Aside]) -> list[_Entry]:
    entries: list[_Entry] = []
    for result in results:
        for one in result:
            if isinstance(one, _Entry):
                entries.append(one)
            else:
                aside.append(one)
    return entries


def _read(found: Found, fix: Fix, digests: DigestCache) -> Sequence[_Entry | _Aside]:
    """Every frame of one file, with the facts that header and notes give."""
    reason = found.notes.leave_out()
    if reason is not None:
        return [_Aside(found.label, reason)]
    entries: list[_Entry] = []
    try:
        with _one_line(found):
            digest = digests.digest(found.path)
            for info, header in found.reader.read_info(found.path):
                info = replace(info, path=str(found.path), digest=digest, night=found.night)
                if info.start is not None and info.start.tzinfo is None:
                    info = replace(info, start=info.start.replace(tzinfo=UTC))
                info = found.notes.complete(fix(info, header), header.get("clock") == "camera")
                entries.append(_Entry(found, info, bool(header.get("decode for cfa"))))
    except SetAside as error:
        return [_Aside(found.label, _bare(error, found))]
    return entries or [_Aside(found.label, "holds no frame")]


@contextmanager
def _one_line(found: Found) -> Iterator[None]:
    """Turn whatever a reader, perhaps a stranger's, may raise into one line about the file."""
    try:
        yield
    except ColdframeError as error:
        raise SetAside(str(error)) from None
    except OSError as error:
        raise SetAside(f"cannot be read: {error.strerror or error}") from None
    except Exception as error:
        raise SetAside(
            f"the reader '{found.reader.name}' failed: {type(error).__name__}: {error}"
        ) from None


def _bare(error: SetAside, found: Found) -> str:
    """The reason without the file's name, which the label says."""
    return " ".join(str(error).split()).removeprefix(f"{found.path.name}: ")


def _drop_copies(entries: Sequence[_Entry], aside: list[_Aside]) -> list[_Entry]:
    first: dict[str, Found] = {}
    kept: list[_Entry] = []
    copies: dict[Path, _Aside] = {}
    for entry in entries:
        original = first.setdefault(entry.info.digest, entry.found)
        if original is entry.found:
            kept.append(entry)
        else:
            where = original.label if original.night == entry.found.night else str(original.path)
            copies[entry.found.path] = _Aside(
                entry.found.label, f"is a copy of {where}: the same bytes; one is enough"
            )
    aside.extend(copies.values())
    return kept


def _told_kind(entry: _Entry, patterns: Mapping[str, Sequence[str]]) -> _Entry:
    """The kind that somebody states: notes, header or pattern."""
    told = entry.found.notes.kind_by_file()
    if told is None and entry.info.kind is not None:
        return entry
    told = told or entry.found.notes.kind_by_glob() or _by_pattern(entry.found.label, patterns)
    if told is None:
        return entry
    return replace(entry, info=replace(entry.info, kind=told[0], kind_reason=told[1]))


def _by_pattern(label: str, patterns: Mapping[str, Sequence[str]]) -> tuple[Kind, str] | None:
    for kind, globs in patterns.items():
        for glob in globs:
            if fits(label, glob):
                return Kind(kind), f"pattern '{glob}'"
    return None


def _see(entry: _Entry, digests: DigestCache) -> _Entry | _Aside:
    """Look at the pixels where the kind is open or facts are missing."""
    info, found = entry.info, entry.found
    wanted = info.kind is None and not info.kind_reason
    if not wanted and not entry.decode:
        return entry
    parts = (info.digest, info.hdu, info.plane, found.reader.name, found.reader.version)
    key = "|".join(map(str, (*parts, LOOK_VERSION, info.cfa, info.black, info.white, wanted)))
    try:
        with _one_line(found):
            facts = digests.facts(key, lambda: _pixel_facts(info, found.reader, wanted))
    except SetAside as error:
        return _Aside(entry.label, _bare(error, found))
    if entry.decode:
        black = facts["black"]
        info = replace(
            info,
            cfa=facts["cfa"],
            black=None if black is None else tuple(black),
            white=facts["white"],
        )
    return replace(entry, info=info, seen=Look(**facts["look"]) if wanted else None)


def _pixel_facts(info: FrameInfo, reader: FrameReader, wanted: bool) -> dict[str, Any]:
    frame = decoded.read(reader, info)
    return {
        "cfa": frame.info.cfa,
        "black": frame.info.black,
        "white": frame.info.white,
        "look": asdict(look(frame.info, frame.data, frame.flags)) if wanted else None,
    }


def _decide(entries: Sequence[_Entry], order: Sequence[str]) -> list[_Entry | _Aside]:
    """Decide what is still open, each with the frames beside it at hand (see `company`)."""
    alone = [_recognised(entry, Peers()) for entry in entries]
    kinds = [entry.info.kind for entry in alone]
    nights = [entry.found.night for entry in entries]
    beside = company(
        nights, [k is Kind.LIGHT for k in kinds], [k is Kind.BIAS for k in kinds], order
    )
    out: list[_Entry | _Aside | None] = [None] * len(entries)
    for night, places in beside.items():
        own = [place for place in places if nights[place] == night]
        decided = _decide_among([entries[p] for p in places], [alone[p] for p in places])
        by_place = dict(zip(places, decided, strict=True))
        for place in own:
            out[place] = by_place[place]
    return [one for one in out if one is not None]


def _decide_among(entries: Sequence[_Entry], alone: Sequence[_Entry]) -> Sequence[_Entry | _Aside]:
    """Kinds of frames that may tell of each other. alone : what each is by itself."""
    groups: dict[Any, list[_Entry]] = defaultdict(list)
    for entry in alone:
        groups[_settings(entry.info)].append(entry)
    peers = {settings: _peers(group, alone) for settings, group in groups.items()}
    decided = [_recognised(entry, peers[_settings(entry.info)]) for entry in entries]
    flats = _exposures(decided, Kind.FLAT)
    lights = _exposures(decided, Kind.LIGHT)
    return [_told_apart(entry, flats, lights) for entry in decided]


def _told_apart(
    entry: _Entry, flats: Mapping[Any, set[float]], lights: Mapping[Any, set[float]]
) -> _Entry | _Aside:
    """A dark exposed like the flats is a dark flat; what has no kind is set aside."""
    info = entry.info
    if info.kind is None:
        return _Aside(entry.label, f"{info.kind_reason}; {_how_to_say(entry)}")
    sensor = _sensor(info)
    if (
        info.kind in (Kind.DARK, Kind.BIAS)
        and entry.seen is not None
        and (info.exposure or 0) > BIAS_EXPOSURE
        and same_exposure(info.exposure, flats[sensor])
        and not same_exposure(info.exposure, lights[sensor])
    ):
        reason = f"{info.kind_reason}; exposed like the flats, not like the lights"
        info = replace(info, kind=Kind.DARK_FLAT, kind_reason=reason)
    return replace(entry, info=info)


def _recognised(entry: _Entry, peers: Peers) -> _Entry:
    if entry.info.kind is not None:
        return entry
    if entry.seen is None:
        reason = f"its {entry.info.kind_reason} is no kind of frame that can be used"
        return replace(entry, info=replace(entry.info, kind_reason=reason))
    kind, why = recognise(entry.info, entry.seen, peers)
    reason = _FROM_PIXELS + why if kind else f"cannot tell what it was shot as: {why}"
    return replace(entry, info=replace(entry.info, kind=kind, kind_reason=reason))


def _how_to_say(entry: _Entry) -> str:
    return f"say what it is in notes.yaml, such as kinds: {{light: '{entry.found.label}'}}"


def _sensor(info: FrameInfo) -> tuple[Any, ...]:
    return info.camera, info.shape, info.binning, info.cfa


def _settings(info: FrameInfo) -> tuple[Any, ...]:
    return *_sensor(info), info.iso, info.gain_setting, info.offset


def _exposures(entries: Sequence[_Entry], kind: Kind) -> Mapping[Any, set[float]]:
    out: dict[Any, set[float]] = defaultdict(set)
    for entry in entries:
        if entry.info.kind is kind and entry.info.exposure is not None:
            out[_sensor(entry.info)].add(entry.info.exposure)
    return out


def _peers(group: Sequence[_Entry], everyone: Sequence[_Entry]) -> Peers:
    """What the frames of one setting, and the camera's exposures in all, tell about each."""
    sensor = _sensor(group[0].info)
    levels = tuple(
        (entry.info.exposure, entry.seen.level, entry.info.kind is Kind.LIGHT)
        for entry in group
        if entry.seen is not None
    )
    exposures = [
        entry.info.exposure
        for entry in everyone
        if _sensor(entry.info) == sensor and entry.info.exposure is not None
    ]
    lights = _exposures(group, Kind.LIGHT)[sensor]
    return Peers(tuple(sorted(lights)), levels, min(exposures, default=None))


def _with_scene(entry: _Entry) -> FrameInfo:
    return entry.found.notes.scene(entry.info)


def _order(info: FrameInfo) -> tuple[datetime, str, int, int]:
    last = datetime.max.replace(tzinfo=UTC)
    return (
        info.start or last,
        info.path,
        -1 if info.hdu is None else info.hdu,
        -1 if info.plane is None else info.plane,
    )


def _idle_globs(found: Sequence[Found], patterns: Mapping[str, Sequence[str]]) -> Iterator[str]:
    """Globs that fit no file are most likely misspelt."""
    used: dict[tuple[str, str], bool] = {}
    for one in found:
        for notes, path in one.notes.chain:
            for glob in notes.globs():
                key = notes.file, glob
                used[key] = used.get(key, False) or fits(path, glob)
        for globs in patterns.values():
            for glob in globs:
                used["the recipe's kinds", glob] = used.get(
                    ("the recipe's kinds", glob), False
                ) or fits(one.label, glob)
    for (where, glob), fitted in used.items():
        if not fitted:
            yield f"{where}: '{glob}' fits no file"
