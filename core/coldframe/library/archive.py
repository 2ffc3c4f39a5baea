"""A library, or some of its masters, as one file: a plain tar, to carry or to keep."""

from __future__ import annotations

import io
import json
import re
import shutil
import tarfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from coldframe.digests import file_digest
from coldframe.errors import StoreError, UsageError
from coldframe.library.add import work_folder
from coldframe.library.entry import FORMAT, Entry
from coldframe.library.library import Library
from coldframe.product import atomic

_NAME = re.compile(r"([0-9a-f]{40})\.(fits|json|entry\.json)")


def export(library: Library, entries: Sequence[Entry], file: Path) -> None:
    """Write masters with all that is known of them (tar, POSIX.1-2001 pax format).

    Raises StoreError when a master is damaged, or the file cannot be written.
    """
    for entry in entries:
        fault = library.fault(entry)
        if fault:
            raise StoreError(f"{entry.id} cannot be exported: {fault}")
    with atomic(file) as temporary, tarfile.open(temporary, "w", format=tarfile.PAX_FORMAT) as tar:
        for entry in entries:
            fits = library.store.file(entry.key)
            tar.add(fits, f"{entry.key}.fits")
            tar.add(fits.with_suffix(".json"), f"{entry.key}.json")
            text = json.dumps(entry.to_dict(), sort_keys=True).encode()
            member = tarfile.TarInfo(f"{entry.key}.entry.json")
            member.size = len(text)
            tar.addfile(member, io.BytesIO(text))


@dataclass
class Imported:
    """What an import did. new, known : masters taken in, and those already there."""

    new: list[Entry] = field(default_factory=list)
    known: list[Entry] = field(default_factory=list)


def import_file(library: Library, file: Path) -> Imported:
    """Take in what `export` wrote; every master's checksum is verified first.

    Raises
    ------
    UsageError
        The file is no export of a library.
    StoreError
        A master in it is damaged or from a newer version; masters before it have been taken in.
    """
    out = Imported()
    with work_folder(library.root) as work:
        try:
            with tarfile.open(file) as tar:
                _unpack(tar, file, work)
        except tarfile.TarError as error:
            raise UsageError(f"{file} is no export of a library: {error}") from None
        except OSError as error:
            raise StoreError(f"cannot unpack {file}: {error.strerror or error}") from None
        pages = sorted(work.glob("*.entry.json"))
        if not pages:
            raise UsageError(
                f"{file} holds no master; 'coldframe library export' writes such files"
            )
        for page in pages:
            entry = Entry.from_json(page.read_text(encoding="utf-8"), f"{file}: {page.name}")
            fits = work / f"{entry.key}.fits"
            whole = fits.exists() and fits.with_suffix(".json").exists()
            if page.name != f"{entry.key}.entry.json" or not whole:
                raise StoreError(f"{file}: the master {entry.id} is not whole")
            if file_digest(fits) != entry.digest:
                raise StoreError(
                    f"{file}: the master {entry.id} is damaged: its checksum is another"
                )
            (out.new if library.keep(entry, fits) else out.known).append(entry)
    return out


def _unpack(tar: tarfile.TarFile, file: Path, work: Path) -> None:
    """Only files of the names that `export` gives, so that none lands anywhere else."""
    for member in tar:
        if not (member.isfile() and _NAME.fullmatch(member.name)):
            raise UsageError(
                f"{file} is no export of a library (format {FORMAT}): it holds '{member.name}'"
            )
        source = tar.extractfile(member)
        assert source is not None
        with source, (work / member.name).open("wb") as target:
            shutil.copyfileobj(source, target)
