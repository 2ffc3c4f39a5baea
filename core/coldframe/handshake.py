"""May this worker take part? The same code here and there, and the same folders in sight.

The run lays down a meeting file in its store. Each worker reads it, compares, and leaves an answer
beside it, which the run must see in turn. So both know that the store is one folder, not two of
one name. A worker that joins later does the same before its first task.
"""

from __future__ import annotations

import json
import socket
import time
import uuid
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from coldframe.errors import StoreError
from coldframe.installed import package_differences, packages, parts, plugin_differences, used
from coldframe.product import atomic
from coldframe.specs import FetchTask, FrameTask, OutputTask, TaskSpec, worker_registry

PATIENCE = 5.0  # s; a shared folder may show a new file later on another machine


@dataclass(frozen=True, slots=True)
class Meeting:
    """Where a run and its workers meet."""

    store: str
    token: str

    @property
    def file(self) -> Path:
        """What the run expects of a worker, as JSON."""
        return Path(self.store) / f".meeting-{self.token}.json"


@dataclass(frozen=True, slots=True)
class Answer:
    """What a worker found."""

    host: str
    problems: tuple[str, ...]
    traces: tuple[str, ...] = ()  # files it left, which the run must see


@contextmanager
def meeting(
    store: Path, specs: Sequence[TaskSpec], every: Iterable[TaskSpec] = ()
) -> Iterator[Meeting]:
    """Lay down the meeting file of a run for as long as it lasts.

    specs : what is to be done, whose folders a worker must see. every : all that may have to be
    done again, too; a worker must have the plugins for it.
    """
    place = Meeting(str(store.absolute()), uuid.uuid4().hex)
    samples: dict[str, str] = {}  # folder -> one of its files
    outputs: set[str] = set()
    for spec in specs:
        if isinstance(spec, FrameTask) and not spec.base:
            samples.setdefault(str(Path(spec.source.path).parent), spec.source.path)
        elif isinstance(spec, FetchTask):
            samples.setdefault(spec.library, spec.library)
        elif isinstance(spec, OutputTask):
            outputs.add(spec.folder)
    expected = {
        "packages": packages(),
        "parts": parts(used((*specs, *every))),
        "samples": sorted(samples.values()),
        "outputs": sorted(outputs),
    }
    with atomic(place.file) as temporary:
        temporary.write_text(json.dumps(expected))
    try:
        yield place
    finally:
        for folder in {place.store, *outputs}:
            for file in Path(folder).glob(f".meeting-{place.token}*"):
                with suppress(OSError):
                    file.unlink()


def attend(place: Meeting) -> Answer:
    """Look, on a worker, whether it may take part."""
    host = socket.gethostname()
    try:
        expected = json.loads(_patiently(place.file))
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        return Answer(host, (f"does not see the store {place.store} ({why})",))
    problems = package_differences(expected["packages"], packages())
    wanted = expected["parts"]
    problems += plugin_differences(wanted, parts(wanted), worker_registry().broken)
    for sample in expected["samples"]:
        try:
            if Path(sample).is_file():
                with Path(sample).open("rb") as file:
                    file.read(1)
            else:
                Path(sample).stat()
        except OSError as error:
            problems.append(f"cannot read {sample}: {error.strerror}")
    traces = []
    for folder in (place.store, *expected["outputs"]):
        trace = Path(folder) / f".meeting-{place.token}-{uuid.uuid4().hex}"
        try:
            with atomic(trace, durable=False) as temporary:
                temporary.write_text(host)
            traces.append(str(trace))
        except StoreError as error:
            problems.append(str(error))
    return Answer(host, tuple(problems), tuple(traces))


@lru_cache(maxsize=64)
def admitted(place: Meeting) -> Answer:
    """`attend`, once in a worker process."""
    return attend(place)


def unseen(answer: Answer) -> list[str]:
    """Which of the worker's traces the run does not see, in words."""
    out = []
    for trace in answer.traces:
        try:
            _patiently(Path(trace))
        except OSError:
            folder = Path(trace).parent
            out.append(f"what it writes in {folder} is not seen here: another folder of that name")
    return out


def _patiently(file: Path) -> str:
    deadline = time.monotonic() + PATIENCE
    while True:
        try:
            return file.read_text()
        except FileNotFoundError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.2)
