"""A library folder: masters in a content-addressed store, an entry for each, an index over all."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from types import TracebackType

from coldframe.digests import file_digest
from coldframe.errors import StoreError, UsageError
from coldframe.library.dark_current import doublings
from coldframe.library.entry import Entry
from coldframe.library.index import Index
from coldframe.library.rules import FILE, read_ages, write_ages
from coldframe.library.transfer import place
from coldframe.product import atomic
from coldframe.serving import Shelf
from coldframe.store import Store


def default_folder() -> Path:
    """Where the library is unless one is named: the user's own data folder."""
    import platformdirs

    return Path(platformdirs.user_data_path("coldframe", appauthor=False)) / "library"


class Library:
    """An open library. Use as a context manager.

    Raises
    ------
    UsageError
        There is no library in the folder, and it is not to be made.
    StoreError
        The folder cannot be written (when it is to be), or see `Index`.
    """

    def __init__(self, root: Path, *, create: bool = False, write: bool = False) -> None:
        self.root = root
        self.store = Store(root / "store")
        if create:
            self.check_writable()
        if not (root / FILE).exists():
            if not create:
                raise UsageError(
                    f"there is no calibration library in {root}; 'coldframe library add FOLDER' "
                    "makes one"
                )
            write_ages(root, read_ages(root))
        self.ages: Mapping[str, float | None] = read_ages(root)
        if write:
            self.check_writable()
        self.index = Index(root, memory=not _writable(root))

    def __enter__(self) -> Library:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.index.close()

    def check_writable(self) -> None:
        """Raise StoreError early when nothing can be written here."""
        Store(self.root).check_writable()

    def entry_file(self, key: str) -> Path:
        """The entry that makes a master part of the library."""
        return self.root / "masters" / f"{key}.json"

    def entries(self, kind: str | None = None, camera: str | None = None) -> list[Entry]:
        """Masters of a kind and a camera, or all."""
        return self.index.entries(kind, camera)

    def find(self, name: str) -> Entry:
        """The master whose key begins with `name`. Raises UsageError when not just one does."""
        found = [e for e in self.entries() if e.key.startswith(name.lower())] if name else []
        if len(found) == 1:
            return found[0]
        if found:
            ids = ", ".join(entry.id for entry in found)
            raise UsageError(f"'{name}' may be any of {ids}; give more of it")
        raise UsageError(f"the library has no master '{name}'; 'coldframe library list' shows all")

    def keep(self, entry: Entry, files: Path) -> bool:
        """Take a master in: `files` is its FITS file elsewhere, its JSON beside it.

        False when it is already here. Killed at any moment, the master is either here whole or
        not here.
        """
        with self.index.writing():
            if self.entry_file(entry.key).exists() and self.store.get(entry.key) is not None:
                return False
            for suffix in (".fits", ".json"):
                target = self.store.file(entry.key).with_suffix(suffix)
                place(files.with_suffix(suffix), target)
            self._write(entry)
            self.index.put([entry])
        return True

    def _write(self, entry: Entry) -> None:
        with atomic(self.entry_file(entry.key)) as temporary:
            temporary.write_text(json.dumps(entry.to_dict(), sort_keys=True), encoding="utf-8")
        _flush_folder(self.entry_file(entry.key).parent)

    def mend(self, entry: Entry) -> bool:
        """Write a damaged entry file anew from what the index knows; False when it is sound."""
        file = self.entry_file(entry.key)
        try:
            Entry.from_json(file.read_text(encoding="utf-8"), str(file))
            return False
        except (StoreError, OSError, UnicodeDecodeError):
            self._write(entry)
            return True

    def remove(self, entry: Entry) -> None:
        """Take a master out. The entry goes first: half a removal is no master."""
        try:
            with self.index.writing():
                self.entry_file(entry.key).unlink(missing_ok=True)
                self.index.drop([entry.key])
                self.store.delete(entry.key)
        except OSError as error:
            raise StoreError(f"cannot remove {error.filename}: {error.strerror}") from None

    def fault(self, entry: Entry) -> str:
        """What is wrong with a master's files; "" when every byte is as it was written."""
        file = self.store.file(entry.key)
        try:
            if file.stat().st_size != entry.size:
                return f"{file} has {file.stat().st_size} bytes, not {entry.size}"
            if file_digest(file) != entry.digest:
                return f"{file} has changed: its checksum is another"
        except OSError as error:
            return f"{file} cannot be read: {error.strerror}"
        if self.store.get(entry.key) is None:
            return f"{file.with_suffix('.json')} is gone or damaged"
        return ""

    def shelf(self) -> Shelf:
        """All that the library offers to a run."""
        entries = self.entries()
        return Shelf(
            self.store.root,
            tuple(entry.candidate(self.ages[entry.kind.value]) for entry in entries),
            {entry.key: entry.digest for entry in entries},
            doublings(entries),
        )


def _writable(root: Path) -> bool:
    return os.access(root, os.W_OK)


def _flush_folder(folder: Path) -> None:
    """Flush the names in a folder, where the system can, so that a power cut keeps them."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def open_shelf(root: Path | None, wanted: bool = True) -> Shelf | None:
    """The shelf of the named library, or of the user's own when there is one.

    Raises UsageError when a library is named and not there.
    """
    if not wanted:
        return None
    if root is None:
        root = default_folder()
        if not (root / FILE).exists():
            return None
    with Library(root) as library:
        return library.shelf()
