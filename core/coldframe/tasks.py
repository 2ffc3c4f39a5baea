"""What one task of the graph does. Each is a pure function of its spec and the store.

A spec is a frozen value object that pickles, so that a task runs the same way in a thread, in
another process or on another machine that sees the same store.
"""

from __future__ import annotations

import json
import logging
import time
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from coldframe.errors import ColdframeError, PluginError, SetAside, StoreError
from coldframe.frame import Frame, FrameInfo
from coldframe.plugins import Registry, find_plugins
from coldframe.step import Context, FrameStep, MeasureStep, Numbers, Step
from coldframe.store import Ref, Store

log = logging.getLogger("coldframe")


@lru_cache(maxsize=1)
def worker_registry() -> Registry:
    """The plugins of this process. Specs carry names only; each worker finds its own code."""
    return find_plugins()


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

    def context(self, key: str, **more: Any) -> Context:
        """The step's context; its random generator depends on the seed and the product only."""
        rng = np.random.default_rng([self.seed, int(key[:16], 16)])
        return Context(params=self.params, rng=rng, log=log.getChild(self.use), **more)

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


@dataclass(frozen=True, slots=True)
class DecideTask:
    """A group decision: which frame is the reference, how frames are weighted."""

    store: str
    key: str
    step_id: str
    call: StepCall
    members: tuple[tuple[str, str, tuple[str, ...]], ...]  # frame key, survey key, measure keys
    label: str


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


TaskSpec = FrameTask | DecideTask | BandTask | StackTask | OutputTask | FetchTask | BlendTask


def run_task(spec: TaskSpec, *_inputs: Any) -> Ref:
    """Do one task and return what is now in the store. `_inputs` only order the graph.

    Raises
    ------
    ColdframeError
        With a message for people; what a plugin raised otherwise is wrapped in PluginError.
    """
    started = time.perf_counter()
    store = Store(Path(spec.store))
    try:
        match spec:
            case FrameTask():
                ref = _frame(spec, store)
            case DecideTask():
                from coldframe.deciding import run_decision

                ref = run_decision(spec, store)
            case BandTask():
                from coldframe.stacking import run_band

                ref = run_band(spec, store)
            case StackTask():
                from coldframe.stacking import run_stack

                ref = run_stack(spec, store)
            case OutputTask():
                ref = _output(spec, store)
            case FetchTask():
                from coldframe.library.transfer import run_fetch

                ref = run_fetch(spec, store)
            case BlendTask():
                from coldframe.library.transfer import run_blend

                ref = run_blend(spec, store)
    except ColdframeError:
        raise
    except MemoryError:
        raise StoreError(
            f"out of memory in step '{spec.step_id}'; give --memory a smaller value or use fewer --workers"
        ) from None
    except OSError as error:
        raise StoreError(f"step '{spec.step_id}': {error}") from error
    return replace(ref, seconds=time.perf_counter() - started)


def guarded(call: StepCall, what: str, function: Any, *args: Any) -> Any:
    """Call into a step; an error that is not for people becomes one that names the step."""
    try:
        return function(*args)
    except (ColdframeError, MemoryError, OSError):
        raise
    except Exception as error:
        origin = worker_registry().origins.get(f"step:{call.use}")
        plugin = (
            f", plugin '{origin.plugin}' of {origin.package} {origin.version}" if origin else ""
        )
        log.debug("step %s failed", call.use, exc_info=True)
        raise PluginError(
            f"step '{call.step_id}' ({call.use}{plugin}) failed on {what}: "
            f"{type(error).__name__}: {error}"
        ) from error


def _frame(spec: FrameTask, store: Store) -> Ref:
    done = store.get(spec.key)
    looks = [look for look in spec.looks if store.get(look.key) is None]
    if done is not None and (done.aside or not looks):
        return done
    frame: Frame | None = None
    if done is None:
        base = store.get(spec.base) if spec.base else None
        if base is not None and base.aside:
            return store.put(replace(base, key=spec.key))
        try:
            frame = store.frame(spec.base) if spec.base else _read(spec)
            for op in spec.ops:
                frame = _apply(op, frame, store)
        except SetAside as reason:
            at = spec.step_id if spec.ops else "load"
            said = _plain(reason, spec.source)
            return store.put(_made(spec, info=spec.source, aside=said, aside_step=at))
        done = store.put_frame(_made(spec, frame), frame, durable=spec.durable)
    else:
        frame = store.frame(spec.key)
    for look in looks:
        _look(look, frame, spec.key, store)
    return done


def _plain(reason: SetAside, info: FrameInfo) -> str:
    """The reason without the frame's name, which stands beside it wherever it is shown."""
    return str(reason).removeprefix(f"{info.label}: ")


def _made(spec: FrameTask, frame: Frame | None = None, **more: Any) -> Ref:
    if spec.ops:
        last = spec.ops[-1]
        step, params = last.call.made_by, json.dumps(last.call.params, sort_keys=True)
        inputs = tuple(
            dict.fromkeys(
                key
                for op in spec.ops
                for key in (op.came_from, *op.masters.values(), op.survey, op.decision)
                if key
            )
        )
    else:
        step, params, inputs = f"read {spec.source.label}", "{}", ()
    if frame is not None:
        more |= {
            "info": frame.info,
            "measures": frame.measures,
            "planes": tuple(frame.planes),
            "history": frame.history,
        }
    return Ref(spec.key, step=step, params=params, inputs=inputs, **more)


def _read(spec: FrameTask) -> Frame:
    path = Path(spec.source.path)
    reader = next((r for r in worker_registry().readers if r.name == spec.reader), None)
    if reader is None:
        raise PluginError(f"the reader '{spec.reader}' for {path.name} is not installed here")
    if not path.exists():
        raise StoreError(f"{path} was there when the run was planned and is now gone")
    try:
        frame = reader.read_frame(spec.source)
    except (ColdframeError, MemoryError, OSError):
        raise
    except Exception as error:
        raise SetAside(f"{path.name} cannot be read: {type(error).__name__}: {error}") from error
    if frame.data.dtype not in (np.uint16, np.float32):
        frame = frame.with_pixels(frame.data.astype(np.float32))
    # The night's facts (notes, fix-ups) outrank what the file alone says.
    return replace(frame, info=spec.source, history=(f"read {path.name}",))


def _apply(op: Op, frame: Frame, store: Store) -> Frame:
    call = op.call
    step = call.make()
    assert isinstance(step, FrameStep)
    more: dict[str, Any] = {}
    if op.survey:
        seen = need(store, op.survey)
        if seen.aside:
            raise SetAside(seen.aside)
        more["survey"] = store.numbers(op.survey)
        frame = frame.with_measures(**seen.measures)
    if op.decision:
        decision = need(store, op.decision)
        more["decision"] = store.numbers(op.decision)
        more["index"] = decision.rows.index(op.came_from)
    if op.masters:
        more["masters"] = {kind: _master(str(store.root), key) for kind, key in op.masters.items()}
    if frame.data.dtype != np.float32:
        frame = frame.with_pixels(frame.data.astype(np.float32))
    context = call.context(op.key, **more)
    out: Frame = guarded(call, frame.info.label, step.apply, frame, context)
    if out.history == frame.history:
        out = replace(out, history=(*out.history, call.made_by))
    return out


@lru_cache(maxsize=6)
def _master(root: str, key: str) -> Frame:
    """Masters serve many frames; a few stay in memory. They are read-only for every step."""
    frame = Store(Path(root)).frame(key)
    for array in (frame.data, frame.flags, *frame.planes.values()):
        array.flags.writeable = False
    return frame


def _look(look: Look, frame: Frame, frame_key: str, store: Store) -> None:
    call = look.call
    step = call.make()
    if frame.data.dtype != np.float32:
        frame = frame.with_pixels(frame.data.astype(np.float32))
    ref = Ref(look.key, step=call.made_by, inputs=(frame_key,), info=frame.info)
    context = call.context(look.key)
    try:
        if isinstance(step, MeasureStep):
            row = guarded(call, frame.info.label, step.measure, frame, context)
            store.put(replace(ref, measures={k: float(v) for k, v in row.items()}))
            return
        numbers: Numbers = guarded(call, frame.info.label, step.survey, frame, context)
    except SetAside as reason:
        store.put(replace(ref, aside=_plain(reason, frame.info), aside_step=call.step_id))
        return
    measures = {k: float(v[0]) for k, v in numbers.items() if k in step.columns and v.shape == (1,)}
    store.put_numbers(replace(ref, measures=measures), numbers)


def need(store: Store, key: str) -> Ref:
    """What is stored under `key`; raises StoreError when it is gone."""
    ref = store.get(key)
    if ref is None:
        raise StoreError(f"{store.file(key)} is gone or damaged; run again to make it anew")
    return ref


def _output(spec: OutputTask, store: Store) -> Ref:
    ref = need(store, spec.product)
    if ref.aside:
        return replace(ref, key=spec.key)
    frame = replace(store.frame(spec.product), provenance=store.ancestry(spec.product))
    writer = worker_registry().writers[spec.writer]
    path = writer.write(frame, Path(spec.folder), spec.stem, spec.options)
    return Ref(spec.key, step=f"{writer.name} {writer.version}", params=path.name)
