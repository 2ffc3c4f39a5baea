"""After a run that was cut off: what it wrote last may not be on disk as it was written.

Products in between are not flushed to disk one by one, so a power cut may leave a file of the
right length that holds zeros. Each run leaves a mark in the store and takes it away when it ends;
a mark without its run means that the last run was cut off. Only then is content checked, and only
of the products written last.
"""

from __future__ import annotations

import json
import os
import socket
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from coldframe.checksum import file_sum
from coldframe.errors import StoreError
from coldframe.product import atomic
from coldframe.store import Store

RECENT = 600.0  # s before the newest product; systems write back within about half a minute
FORGOTTEN = 7 * 86400.0  # s after which the mark of a run on another machine is dropped
MARKS = "running"


@contextmanager
def marked(root: Path) -> Iterator[None]:
    """A mark in the store while a run is on. Only a run that is cut off leaves it there."""
    mark = root / MARKS / f"{uuid.uuid4().hex}.json"
    with atomic(mark) as temporary:
        temporary.write_text(json.dumps(_myself()))
    try:
        yield
    finally:
        with suppress(OSError):
            mark.unlink()


def recover(root: Path) -> tuple[int, int] | None:
    """Take out what a run that was cut off left damaged; (products checked, products damaged).

    None when every run ended by itself. Leaves alone what other runs are writing.

    Raises StoreError when a damaged product cannot be removed.
    """
    marks = [(mark, _state(mark)) for mark in (root / MARKS).glob("*.json")]
    if all(state == "alive" for _, state in marks):
        return None
    found = sorted(_products(root), key=lambda pair: -pair[1])
    recent = [path for path, written in found if written >= found[0][1] - RECENT]
    damaged = [path for path in recent if not intact(path)]
    try:
        for path in damaged:
            Store(root).delete(path.stem)
    except OSError as error:
        raise StoreError(f"cannot remove {path}, which is damaged: {error.strerror}") from error
    if not {state for _, state in marks} & {"alive", "elsewhere"}:
        for left in (
            *root.glob("[0-9a-f][0-9a-f]/.*.part"),
            *root.glob(f"{MARKS}/.*.part"),
        ):
            with suppress(OSError):  # a folder that cannot be written keeps them
                left.unlink()
    return len(recent), len(damaged)


def settle(root: Path) -> None:
    """A run has ended well: what earlier ones left undone is done, their marks may go."""
    for mark in (root / MARKS).glob("*.json"):
        if _state(mark) == "dead":
            with suppress(OSError):
                mark.unlink()


def intact(sidecar: Path) -> bool:
    """Whether a product holds what was written; one without a sum of its content is believed."""
    try:
        values = json.loads(sidecar.read_bytes())
        if values["key"] != sidecar.stem:
            return False
        if values.get("sum") is None or values.get("dropped"):
            return True
        return bool(values["sum"] == file_sum(sidecar.with_suffix(".fits")))
    except (OSError, ValueError, KeyError, TypeError):
        return False


def running(root: Path) -> int:
    """How many runs, besides those of this process, work in a store now, as far as can be told."""
    marks = [(mark, _state(mark)) for mark in (root / MARKS).glob("*.json")]
    return sum(state in ("alive", "elsewhere") and not _own(mark) for mark, state in marks)


def _own(mark: Path) -> bool:
    try:
        return bool(json.loads(mark.read_bytes()) == _myself())
    except (OSError, ValueError):
        return False


def _products(root: Path) -> Iterator[tuple[Path, float]]:
    """Sidecars and when they were written."""
    for path in root.glob("[0-9a-f][0-9a-f]/*.json"):
        with suppress(OSError):
            yield path, path.stat().st_mtime


def _myself() -> dict[str, Any]:
    pid = os.getpid()
    return {"host": socket.gethostname(), "boot": _boot(), "pid": pid, "began": _began(pid)}


def _state(mark: Path) -> str:
    """'alive', 'dead', or 'elsewhere': a run on another machine, which nobody here can ask."""
    try:
        values = json.loads(mark.read_bytes())
        if values["host"] != socket.gethostname():
            old = time.time() - mark.stat().st_mtime > FORGOTTEN
            return "dead" if old else "elsewhere"
        pid = int(values["pid"])
        if values["boot"] != _boot() or values["began"] != _began(pid):
            return "dead"
        os.kill(pid, 0)
    except PermissionError:
        return "alive"  # another person's process has that number
    except (OSError, ValueError, KeyError, TypeError):
        return "dead"
    return "alive"


def _boot() -> str:
    """Differs after every start of the machine; "" where the system does not tell."""
    with suppress(OSError):
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    return ""


def _began(pid: int) -> str:
    """When a process began, so that a number used again is not taken for it; see proc(5)."""
    with suppress(OSError, IndexError):
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[19]
    return ""
