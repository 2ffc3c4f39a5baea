"""Which files of a growing folder are whole: steady, and readable to the last pixel."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from coldframe.errors import ColdframeError, UsageError
from coldframe.hooks import FrameReader
from coldframe.night_files import Found, list_nights

LONGEST = 60.0
"""s; a file that cannot be read is tried again after twice as long each time, at most this."""

Stamp = tuple[int, int]


@dataclass
class _Seen:
    """A file as it was last seen. since : when it got this stamp; again : when to try it next."""

    label: str
    stamp: Stamp
    since: float
    again: float
    whole: bool = False
    reason: str = "still being written"


class Arrivals:
    """Watches folders by looking at them again and again, which works on network shares too.

    settle : s for which size and time of change must stay the same before a file is read.
    Times are those of the caller's clock, in s; the clocks of file servers do not matter.
    """

    def __init__(
        self, folders: Sequence[Path], readers: Sequence[FrameReader], settle: float, workers: int
    ) -> None:
        self._folders, self._readers = folders, readers
        self._settle, self._workers = settle, workers
        self._files: dict[Path, _Seen] = {}
        self.changed = 0.0
        """When a file last came, changed or went."""

    def poll(self, now: float) -> list[str]:
        """Look once; labels of the files that have become whole.

        Raises UsageError or RecipeError for folders or notes that cannot be used; a folder
        without a frame is one that waits for its first.
        """
        there = self._list()
        for path in set(self._files) - set(there):
            del self._files[path]
            self.changed = now
        due: list[Found] = []
        for path, (found, stamp) in there.items():
            seen = self._files.get(path)
            if seen is None or seen.stamp != stamp:
                self._files[path] = _Seen(found.label, stamp, now, now + self._settle)
                self.changed = now
            elif not seen.whole and now >= seen.again:
                due.append(found)
        with ThreadPoolExecutor(max(1, self._workers)) as pool:
            reasons = pool.map(why_not_whole, due)
            return [f.label for f, why in zip(due, reasons, strict=True) if self._note(f, why, now)]

    def _list(self) -> dict[Path, tuple[Found, Stamp]]:
        try:
            listing = list_nights(self._folders, self._readers)
        except UsageError:
            if all(folder.is_dir() for folder in self._folders):
                return {}
            raise
        out = {}
        for found in listing.found:
            stamp = _stamp(found.path)
            if stamp is not None:
                out[found.path] = found, stamp
        return out

    def _note(self, found: Found, why: str, now: float) -> bool:
        seen = self._files[found.path]
        if _stamp(found.path) != seen.stamp:
            return False  # it was written to while it was read: the next look sees that
        seen.whole, seen.reason = not why, why
        seen.again = now + min(max(now - seen.since, self._settle), LONGEST)
        return seen.whole

    def settled(self, now: float, grace: float) -> bool:
        """Whether every file is whole, or has stayed as it is for so many s without being it."""
        return all(seen.whole or now - seen.since > grace for seen in self._files.values())

    @property
    def whole(self) -> frozenset[Path]:
        """Files that may be read."""
        return frozenset(path for path, seen in self._files.items() if seen.whole)

    @property
    def waiting(self) -> dict[str, str]:
        """Why each of those is waited for, by label."""
        return {seen.label: seen.reason for seen in self._files.values() if not seen.whole}


def _stamp(path: Path) -> Stamp | None:
    try:
        stat = path.stat()
    except OSError:
        return None
    return stat.st_size, stat.st_mtime_ns


def why_not_whole(found: Found) -> str:
    """What keeps a file from being read to its last pixel; "" when nothing does."""
    try:
        frames = found.reader.read_info(found.path)
        if not frames:
            return "holds no frame yet"
        for info, _ in frames:
            found.reader.read_frame(info)
    except ColdframeError as error:
        return " ".join(str(error).split()).removeprefix(f"{found.path.name}: ")
    except Exception as error:  # a stranger's reader may fail in any way on half a file
        return f"cannot be read: {type(error).__name__}: {error}"
    return ""
