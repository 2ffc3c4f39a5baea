"""Source frames may vanish or change while a run is on: noticed before anything is stored."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from coldframe.checksum import file_sum
from coldframe.digests import DigestCache
from coldframe.errors import SetAside, SourceError
from coldframe.specs import FrameTask, TaskSpec

Stamp = tuple[int, int]
"""A file's size in bytes and time of last change in ns."""

SECOND = 1_000_000_000
FINE = 1_000  # ns; what a share may round a time to without dropping it to whole seconds


def stamp_sources(tasks: dict[str, tuple[TaskSpec, tuple[str, ...]]], digests: DigestCache) -> None:
    """Tell every task that reads a source file what the file was when it was digested."""
    for key, (spec, needs) in tasks.items():
        if isinstance(spec, FrameTask) and not spec.base:
            stamp = digests.stamp(Path(spec.source.path))
            tasks[key] = (replace(spec, stamp=stamp), needs)


@contextmanager
def unchanged(path: Path, seen: Stamp | None) -> Iterator[None]:
    """Read a source file in here. The file must be what it was, before and after.

    seen : what the scan found; None compares before and after only. A frame that is set aside in
    here must at least be readable from end to end: a failing disk or share is no fault of it.

    Raises
    ------
    SourceError
        The file is gone or has changed. Whatever was read must not be used.
    """
    before = _stamp(path)
    _same(path, seen or before, before)
    try:
        yield
    except SetAside:
        _same(path, before, _stamp(path))
        file_sum(path)
        raise
    except OSError:
        _same(path, before, _stamp(path))
        raise
    _same(path, before, _stamp(path))


def _stamp(path: Path) -> Stamp:
    try:
        stat = path.stat()
    except FileNotFoundError:
        raise SourceError(
            f"{path} was there when the run was planned and is now gone; put it back, or run again "
            "to go without it"
        ) from None
    return stat.st_size, stat.st_mtime_ns


def _same(path: Path, before: Stamp, now: Stamp) -> None:
    if before[0] != now[0] or not same_time(before[1], now[1]):
        raise SourceError(
            f"{path} has changed since the run was planned; run again to take it as it is now"
        )


def same_time(one: int, other: int) -> bool:
    """Whether two times in ns are one, as two machines may see it that share a folder.

    Some shares drop the fraction of a second.
    """
    if one % SECOND == 0 or other % SECOND == 0:
        return one // SECOND == other // SECOND
    return abs(one - other) <= FINE
