"""Remembers what was found in source files, so that an unchanged night is not read twice."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from threading import Lock
from typing import Any

from coldframe.errors import StoreError
from coldframe.product import atomic

_FORM = 1
_CHUNK = 1 << 20


def file_digest(path: Path) -> str:
    """blake2b of the file's bytes, hex, read a megabyte at a time. Raises OSError."""
    hasher = hashlib.blake2b(digest_size=32)
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            hasher.update(chunk)
    return hasher.hexdigest()


def cache_file(folders: Sequence[Path], store: Path | None = None) -> Path:
    """Where what is found in these folders is remembered.

    In the store that was asked for; else in the user's cache folder, so that commands that only
    look at a night leave nothing beside it and a run after them need not measure again. The file
    goes by the first folder, so that what is known of its nights stays known when one is added.
    """
    if store is not None:
        return store / "digests.json"
    from platformdirs import user_cache_path

    first = os.fsencode(folders[0].resolve())
    name = hashlib.blake2b(first, digest_size=10).hexdigest()
    return user_cache_path("coldframe", appauthor=False) / "nights" / f"{name}.json"


class DigestCache:
    """Digests by (path, size, time of last change), and small facts by content; a JSON file.

    A cache that is missing, damaged or of another form is begun anew. Safe to use from threads.
    """

    def __init__(self, file: Path | None = None) -> None:
        self._file = file
        self._lock = Lock()
        self._changed = False
        self._digests: dict[str, list[Any]] = {}
        self._facts: dict[str, Mapping[str, Any]] = {}
        if file is None:
            return
        try:
            stored = json.loads(file.read_text(encoding="utf-8"))
            if stored["form"] == _FORM:
                self._digests, self._facts = dict(stored["digests"]), dict(stored["facts"])
        except (OSError, ValueError, KeyError, TypeError):
            return

    def digest(self, path: Path) -> str:
        """The digest of a file, computed only when the file has changed. Raises OSError."""
        stat = path.stat()
        stamp = [stat.st_size, stat.st_mtime_ns]
        key = os.fspath(path)
        known = self._digests.get(key)
        if known is not None and known[:2] == stamp:
            return str(known[2])
        digest = file_digest(path)
        with self._lock:
            self._digests[key] = [*stamp, digest]
            self._changed = True
        return digest

    def stamp(self, path: Path) -> tuple[int, int] | None:
        """Size in bytes and time of last change (ns) that the file had when it was digested."""
        known = self._digests.get(os.fspath(path))
        return (int(known[0]), int(known[1])) if known is not None else None

    def facts(self, key: str, make: Callable[[], Mapping[str, Any]]) -> Mapping[str, Any]:
        """JSON-ready facts under `key`, made once; `make` may raise, then nothing is kept."""
        known = self._facts.get(key)
        if known is not None:
            return known
        made = make()
        with self._lock:
            self._facts[key] = made
            self._changed = True
        return made

    def save(self) -> None:
        """Write the cache if it has changed; a folder that cannot be written keeps the old one."""
        if self._file is None or not self._changed:
            return
        with self._lock:
            text = json.dumps({"form": _FORM, "digests": self._digests, "facts": self._facts})
            self._changed = False
        try:
            with atomic(self._file, durable=False) as temporary:
                temporary.write_text(text, encoding="utf-8")
        except StoreError:
            return  # only time is lost; the run itself says when the store cannot be written
