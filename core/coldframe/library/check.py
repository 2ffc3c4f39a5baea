"""Is every master still what it was when it was added?"""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from coldframe.library.library import Library

SETTLED = 3600.0  # s; younger left-overs may belong to a process at work


@dataclass
class Checked:
    """faults : by key. left_over : files of adds that were stopped. mended : entries rewritten."""

    masters: int = 0
    faults: dict[str, str] = field(default_factory=dict)
    mended: list[str] = field(default_factory=list)
    left_over: list[Path] = field(default_factory=list)
    index: str = ""

    @property
    def good(self) -> bool:
        """Whether nothing is wrong; left-overs are no fault."""
        return not self.faults and not self.index


def check(library: Library, *, clean: bool = False) -> Checked:
    """Verify every checksum. clean : delete what stopped adds left behind.

    An entry file that is damaged while the index still has its text is written anew.
    """
    out = Checked(index=library.index.sound())
    keys = set()
    for entry in library.entries():
        out.masters += 1
        keys.add(entry.key)
        if library.mend(entry):
            out.mended.append(entry.key)
        fault = library.fault(entry)
        if fault:
            out.faults[entry.key] = fault
    out.faults |= library.index.unreadable
    for path in _left_over(library, keys):
        out.left_over.append(path)
        if clean:
            shutil.rmtree(path) if path.is_dir() else path.unlink(missing_ok=True)
    return out


def _left_over(library: Library, keys: set[str]) -> Iterator[Path]:
    """Files in the store that no master owns, and parts of files."""
    for folder in (library.root / "masters", *library.store.root.glob("*")):
        for path in folder.iterdir() if folder.is_dir() else ():
            own = path.stem in keys or path.stem in library.index.unreadable
            settled = time.time() - path.stat().st_mtime > SETTLED
            if not own and settled:
                yield path
