"""Which products for people are there already, as they were written: those are left alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from coldframe.specs import OutputTask
from coldframe.store import Ref, Store


def note_written(spec: OutputTask, path: Path, made_by: str, store: Store) -> Ref:
    """Remember a file that was just written; the ref's `params` is its name."""
    stat = path.stat()
    stamp = {"size": float(stat.st_size), "changed": float(stat.st_mtime_ns)}
    return store.put(Ref(spec.key, step=made_by, params=path.name, measures=stamp))


def still_written(spec: OutputTask, store: Store) -> Ref | None:
    """What was noted of a product's file, when the file is there and was not touched since.

    An earlier run's time is not told as this one's.
    """
    ref = store.get(spec.key)
    if ref is None or "changed" not in ref.measures:
        return None
    try:
        stat = (Path(spec.folder) / ref.params).stat()
    except OSError:
        return None
    same = ref.measures["size"] == stat.st_size
    same = same and ref.measures["changed"] == float(stat.st_mtime_ns)
    return replace(ref, seconds=0.0) if same else None
