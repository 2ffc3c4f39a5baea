"""Finds and runs the probe that a task names."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module

from coldframe import specs
from coldframe.decoded import decoded
from coldframe.errors import SetAside
from coldframe.frame import Frame, FrameInfo
from coldframe.specs import ProbeTask
from coldframe.step import Numbers
from coldframe.store import Ref, Store

PROBES = ("depth", "fixed", "stars", "surface", "thumb", "trails")
"""Each is a module here with a function `probe(spec, store)`."""

Probe = Callable[[ProbeTask, Store], Numbers]


def run_probe(spec: ProbeTask, store: Store) -> Ref:
    """Measure, and keep the numbers under the task's key.

    Raises what the probe raises: SetAside when there is nothing to measure.
    """
    done = store.get(spec.key)
    if done is not None:
        return done
    assert spec.probe in PROBES
    probe: Probe = import_module(f"coldframe.evidence.{spec.probe}").probe
    inputs = tuple(key for keys in spec.keys.values() for key in keys)
    return store.put_numbers(
        Ref(spec.key, step=f"probe {spec.probe}", inputs=inputs), probe(spec, store)
    )


def read_source(info: FrameInfo, reader_name: str) -> Frame:
    """A source frame as the camera wrote it.

    Raises SetAside when it cannot be read now: no run fails for a picture of it.
    """
    reader = next((r for r in specs.worker_registry().readers if r.name == reader_name), None)
    if reader is None:
        raise SetAside(f"its reader '{reader_name}' is not installed here")
    try:
        return decoded.read(reader, info)
    except OSError as error:
        raise SetAside(f"{info.label} cannot be read: {error.strerror}") from error


def alive(store: Store, keys: tuple[str, ...]) -> list[str]:
    """Those of the products that were made and not set aside."""
    refs = [(key, store.get(key)) for key in keys]
    return [key for key, ref in refs if ref is not None and not ref.aside]
