"""The library's index: an SQLite table over the entries that stand beside the masters.

What the library holds is what its folder holds: a master exists when `masters/KEY.json` does,
which is written after the master's files, by renaming. The index only finds masters quickly. It
is compared with the folder whenever it is opened, so that a process killed between the two leaves
nothing to mend, and it can be made anew from the folder at any time.
"""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from coldframe.errors import StoreError
from coldframe.library.entry import FORMAT, Entry, newer

FILE = "index.sqlite"
PATIENCE = 30.0  # s to wait for another process that writes

_TABLE = """
CREATE TABLE IF NOT EXISTS masters (
    key TEXT PRIMARY KEY, kind TEXT NOT NULL, camera TEXT, iso INTEGER, gain_setting REAL,
    exposure REAL, temperature REAL, filter TEXT, optics TEXT, start TEXT, added TEXT NOT NULL,
    entry TEXT NOT NULL
) STRICT
"""
_FIND = "CREATE INDEX IF NOT EXISTS by_kind ON masters (kind, camera)"
_INSERT = f"INSERT OR REPLACE INTO masters VALUES ({', '.join('?' * 12)})"


class Index:
    """The open index of one library folder. Not shared between threads."""

    def __init__(self, root: Path, *, memory: bool = False) -> None:
        """Open, making it where it is missing, and bring it up to the folder's state.

        memory : keep the index in memory, for a folder that cannot be written.

        Raises
        ------
        StoreError
            The index is damaged, from a newer version, or locked for too long.
        """
        self.root, self.file = root, root / FILE
        self.unreadable: dict[str, str] = {}  # entries that cannot be taken in, by key: why
        with self._guard():
            self._db = sqlite3.connect(
                ":memory:" if memory else self.file, timeout=PATIENCE, isolation_level=None
            )
        try:
            with self._guard():
                self._begin(memory)
            self._follow_folder()
        except BaseException:
            self._db.close()
            raise

    def _begin(self, memory: bool) -> None:
        (form,) = self._db.execute("PRAGMA user_version").fetchone()
        if form > FORMAT:
            raise StoreError(newer(str(self.file), form))
        if not memory:
            self._write_ahead()
        if form < FORMAT:
            with self._transaction():
                self._db.execute(_TABLE)
                self._db.execute(_FIND)
                self._db.execute(f"PRAGMA user_version = {FORMAT}")

    def _write_ahead(self) -> None:
        """WAL, so that readers and one writer never wait for each other.

        SQLite does not call its busy handler for this one change, hence the patience here.
        """
        until = time.monotonic() + PATIENCE
        while True:
            try:
                self._db.execute("PRAGMA journal_mode = WAL")
                self._db.execute("PRAGMA synchronous = NORMAL")
                return
            except sqlite3.OperationalError as error:
                if "locked" not in str(error) or time.monotonic() > until:
                    raise
                time.sleep(0.02)

    @contextmanager
    def writing(self) -> Iterator[None]:
        """Nobody else changes the library meanwhile, in any process. All or nothing is kept."""
        with self._guard(), self._transaction():
            yield

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")

    @contextmanager
    def _guard(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.OperationalError as error:
            said = str(error)
            if "malformed" in said or "disk image" in said:
                raise StoreError(self._damaged(said)) from None
            if "locked" in said or "busy" in said:
                said = f"another process has held it for more than {PATIENCE:.0f} s"
            if "full" in said:
                said = "No space left on device"
            raise StoreError(f"cannot use the library's index {self.file}: {said}") from None
        except (sqlite3.DatabaseError, ValueError) as error:
            raise StoreError(self._damaged(str(error))) from None

    def _damaged(self, said: str) -> str:
        return (
            f"the library's index {self.file} is damaged ({said}). The masters are not in it: "
            f"'coldframe library rebuild --library {self.root}' makes it anew, and nothing is lost"
        )

    def _follow_folder(self) -> None:
        """Take in masters that are there and not in the index; forget those that are gone.

        The rows are read before the folder: a master that another process adds meanwhile is then
        in the folder, never only in the rows.
        """
        with self._guard():
            known = {row[0] for row in self._db.execute("SELECT key FROM masters")}
        there = {path.stem: path for path in (self.root / "masters").glob("*.json")}
        fresh = []
        for key in sorted(there.keys() - known):
            try:
                fresh.append(_read(there[key]))
            except StoreError as error:
                self.unreadable[key] = str(error)
        gone = known - there.keys()
        if fresh or gone:
            with self.writing():
                self.put(entry for entry in fresh if entry is not None)
                self.drop(gone)

    def put(self, entries: Iterable[Entry]) -> None:
        """Add or replace rows; inside `writing`."""
        self._db.executemany(_INSERT, [_row(entry) for entry in entries])

    def drop(self, keys: Iterable[str]) -> None:
        """Take rows out; inside `writing`."""
        self._db.executemany("DELETE FROM masters WHERE key = ?", [(key,) for key in keys])

    def entries(self, kind: str | None = None, camera: str | None = None) -> list[Entry]:
        """Masters of a kind and a camera, or all: by camera, kind, settings and time."""
        query = (
            "SELECT key, entry FROM masters WHERE (?1 IS NULL OR kind = ?1) "
            "AND (?2 IS NULL OR camera = ?2) ORDER BY camera, kind, iso, gain_setting, exposure, "
            "filter, temperature, start, key"
        )
        with self._guard():
            rows = self._db.execute(query, (kind, camera)).fetchall()
            bad = next((key for key, text in rows if not isinstance(text, str)), None)
            if bad is not None:
                raise ValueError(f"row {bad!r} holds no text")
        try:
            return [Entry.from_json(text, f"row {key}") for key, text in rows]
        except StoreError as error:
            raise StoreError(self._damaged(str(error))) from None

    def sound(self) -> str:
        """What SQLite's own check finds wrong; "" when nothing is."""
        with self._guard():
            said = [row[0] for row in self._db.execute("PRAGMA integrity_check")]
        return "" if said == ["ok"] else "; ".join(said)

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()


def rebuild(root: Path) -> int:
    """Make the index anew from the folder and give the number of masters.

    The old index is put out of the way first; a process that still has it open goes on with what
    it has seen, and what it adds is found in the folder when the index is next opened.
    """
    for suffix in ("-wal", "-shm", ""):
        try:
            Path(f"{root / FILE}{suffix}").unlink(missing_ok=True)
        except OSError as error:
            raise StoreError(f"cannot write {root / FILE}: {error.strerror}") from None
    index = Index(root)
    try:
        return len(index.entries())
    finally:
        index.close()


def _read(path: Path) -> Entry | None:
    """An entry of the folder; None when it has just been removed. Raises StoreError if damaged."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as error:
        raise StoreError(f"{path} cannot be read: {error}") from None
    entry = Entry.from_json(text, str(path))
    if entry.key != path.stem:
        raise StoreError(f"{path} is damaged: it tells of another master, {entry.key}")
    return entry


def _row(entry: Entry) -> tuple[object, ...]:
    info = entry.info
    return (
        entry.key,
        entry.kind.value,
        info.camera,
        info.iso,
        info.gain_setting,
        info.exposure,
        info.temperature,
        info.filter,
        info.optics or info.lens,
        info.start.isoformat() if info.start else None,
        entry.added,
        json.dumps(entry.to_dict(), sort_keys=True),
    )
