"""What a task of the graph is told: frozen value objects that pickle, names in place of code."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np

from coldframe.errors import ColdframeError, DamagedError, PluginError
from coldframe.frame import FrameInfo
from coldframe.plugins import Registry, find_plugins
from coldframe.step import Context, Step
from coldframe.store import Ref, Store

log = logging.getLogger("coldframe")


@lru_cache(maxsize=1)
def worker_registry() -> Registry:
    """The plugins of this process. Specs carry names only; each worker finds its own code."""
    return find_plugins()


class _Heeding(logging.Logger):
    """A logger whose warnings are kept with the product that they are about.

    They are shown with the result, each once, on whatever machine it was made; in the log they
    count as information.
    """

    def __init__(self, to: logging.Logger, said: list[str]) -> None:
        super().__init__(to.name)
        self.parent, self._said = to, said

    def handle(self, record: logging.LogRecord) -> None:
        if record.levelno >= logging.WARNING:
            self._said.append(record.getMessage())
            record.levelno, record.levelname = logging.INFO, "INFO"
        super().handle(record)


@dataclass(frozen=True, slots=True)
class StepCall:
    """A step with all it needs but pixels."""

    step_id: str
    use: str
    version: str
    params: Mapping[str, Any]
    seed: int = 0

    def make(self) -> Step:
        """The step object."""
        return worker_registry().step(self.use)()

    def context(self, key: str, said: list[str] | None = None, **more: Any) -> Context:
        """The step's context; its random generator depends on the seed and the product only.

        said : the step's warnings are added to it.
        """
        rng = np.random.default_rng([self.seed, int(key[:16], 16)])
        told: logging.Logger = log.getChild(self.use)
        if said is not None:
            told = _Heeding(told, said)
        return Context(params=self.params, rng=rng, log=told, **more)

    @property
    def made_by(self) -> str:
        """Name and version, for provenance."""
        return f"{self.use} {self.version}"


@dataclass(frozen=True, slots=True)
class Look:
    """A survey or a measurement of a frame, made while its pixels are at hand."""

    key: str
    call: StepCall


@dataclass(frozen=True, slots=True)
class Op:
    """One frame step in a chain."""

    call: StepCall
    key: str  # of the frame that comes out
    came_from: str  # key of the frame that goes in
    masters: Mapping[str, str] = field(default_factory=dict)  # kind -> store key
    survey: str = ""
    decision: str = ""


Trial = tuple[str, ...] | None
"""Of a task that only judges a run: when it fails that is told and the run goes on, and once it is
done these products are deleted. None for every other task."""


@dataclass(frozen=True, slots=True)
class FrameTask:
    """Make one frame: read or fetch it, put it through a chain of steps, look at it."""

    store: str
    key: str
    step_id: str
    base: str  # store key to start from; "" means read the source file
    source: FrameInfo
    reader: str
    ops: tuple[Op, ...]
    looks: tuple[Look, ...]
    durable: bool = False
    stamp: tuple[int, int] | None = None  # the source file's size and time of change when scanned
    trial: Trial = None


@dataclass(frozen=True, slots=True)
class DecideTask:
    """A group decision: which frame is the reference, how frames are weighted."""

    store: str
    key: str
    step_id: str
    call: StepCall
    members: tuple[tuple[str, str, tuple[str, ...]], ...]  # frame key, survey key, measure keys
    label: str
    anchor: str = ""  # decision of the first night, for a later one of an anchored step
    hint: str = ""  # what to do when it cannot be decided
    spare: bool = False  # a night's own stack: without enough frames there is none, and no error
    trial: Trial = None


@dataclass(frozen=True, slots=True)
class BandTask:
    """One band of rows of a stack."""

    store: str
    key: str
    step_id: str
    call: StepCall
    decision: str
    stack: str  # key of the whole: once that exists its bands are gone and not needed
    part: int
    parts: int
    trial: Trial = None


@dataclass(frozen=True, slots=True)
class StackTask:
    """Put the bands of a stack together and finish it."""

    store: str
    key: str
    step_id: str
    call: StepCall
    decision: str
    bands: tuple[str, ...]
    label: str
    trial: Trial = None


@dataclass(frozen=True, slots=True)
class OutputTask:
    """Write a product for people."""

    store: str
    key: str
    step_id: str
    product: str
    writer: str
    options: Mapping[str, Any]
    folder: str
    stem: str


@dataclass(frozen=True, slots=True)
class FetchTask:
    """Take a master from the calibration library into the run's store."""

    store: str
    key: str
    step_id: str
    library: str  # the library's folder of products
    digest: str
    label: str


@dataclass(frozen=True, slots=True)
class BlendTask:
    """Make a dark between two temperatures of two masters in the store."""

    store: str
    key: str
    step_id: str
    cold: str
    warm: str
    weight: float
    weight_error: float
    temperature: float
    note: str


@dataclass(frozen=True, slots=True)
class ProbeTask:
    """Look at products to judge the run by. Makes numbers, changes no product."""

    store: str
    key: str
    step_id: str
    probe: str  # a name in `coldframe.evidence.probes`
    keys: Mapping[str, tuple[str, ...]]  # products by the part they play
    sources: tuple[tuple[FrameInfo, str], ...] = ()  # source frames and their readers
    call: StepCall | None = None  # the stack step, for probes that combine samples with it
    trial: Trial = ()


TaskSpec = (
    FrameTask | DecideTask | BandTask | StackTask | OutputTask | FetchTask | BlendTask | ProbeTask
)


def describe(spec: TaskSpec) -> str:
    """A task in words: its step and what it works on."""
    if isinstance(spec, FrameTask):
        what = spec.source.label
    elif isinstance(spec, BandTask):
        what = f"band {spec.part + 1} of {spec.parts}"
    elif isinstance(spec, OutputTask):
        what = spec.stem
    elif isinstance(spec, ProbeTask):
        what = spec.probe
    else:
        what = spec.note if isinstance(spec, BlendTask) else spec.label
    return f"step '{spec.step_id}' ({what})"


def guarded(call: StepCall, what: str, function: Any, *args: Any) -> Any:
    """Call into a step; an error that is not for people becomes one that names the step."""
    try:
        return function(*args)
    except (ColdframeError, MemoryError, OSError):
        raise
    except Exception as error:
        log.debug("step %s failed", call.use, exc_info=True)
        raise PluginError(
            f"{in_full(call)} failed on {what}: {type(error).__name__}: {error}"
        ) from error


def in_full(call: StepCall) -> str:
    """A step by its id, its name and the plugin it is from."""
    origin = worker_registry().origins.get(f"step:{call.use}")
    plugin = f", plugin '{origin.plugin}' of {origin.package} {origin.version}" if origin else ""
    return f"step '{call.step_id}' ({call.use}{plugin})"


def need(store: Store, key: str) -> Ref:
    """What is stored under `key`; raises DamagedError when it is gone."""
    ref = store.get(key)
    if ref is None:
        file = store.file(key)
        raise DamagedError(f"{file} is gone or damaged; run again to make it anew", file)
    return ref
