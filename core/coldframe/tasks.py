"""What one task of the graph does. Each is a pure function of its spec and the store.

A spec is a frozen value object that pickles, so that a task runs the same way in a thread, in
another process or on another machine that sees the same store.
"""

from __future__ import annotations

import json
import logging
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from coldframe.budget import budget
from coldframe.deciding import run_decision
from coldframe.decoded import decoded
from coldframe.errors import ColdframeError, PluginError, SetAside, StoreError
from coldframe.frame import Ancestor, Frame, FrameInfo
from coldframe.made_facts import wrong_facts
from coldframe.sources import unchanged
from coldframe.specs import (
    BandTask,
    BlendTask,
    DecideTask,
    FetchTask,
    FrameTask,
    Look,
    Op,
    OutputTask,
    ProbeTask,
    StackTask,
    TaskSpec,
    guarded,
    in_full,
    need,
    worker_registry,
)
from coldframe.stacking import run_band, run_stack
from coldframe.step import FrameStep, MeasureStep, Numbers
from coldframe.store import Ref, Store, named
from coldframe.written import note_written

log = logging.getLogger("coldframe")


def run_task(spec: TaskSpec, *_inputs: Any) -> Ref:
    """Do one task and return what is now in the store. `_inputs` only order the graph.

    What goes wrong in a trial is told in its ref.

    Raises
    ------
    ColdframeError
        With a message for people; what a plugin raised otherwise is wrapped in PluginError.
    """
    with budget().held(spec.key):
        return _run(spec)


def _run(spec: TaskSpec) -> Ref:
    started = time.perf_counter()
    if getattr(spec, "trial", None) is None:
        ref = _task(spec)
    else:
        from coldframe.evidence.trial import run_trial

        ref = run_trial(spec, _task)
    return replace(ref, seconds=time.perf_counter() - started)


def _task(spec: TaskSpec) -> Ref:
    store = Store(Path(spec.store))
    try:
        match spec:
            case FrameTask():
                ref = _frame(spec, store)
            case DecideTask():
                ref = run_decision(spec, store)
            case BandTask():
                ref = _left_out(spec, store) or run_band(spec, store)
            case StackTask():
                ref = _left_out(spec, store) or run_stack(spec, store)
            case OutputTask():
                ref = _output(spec, store)
            case FetchTask():
                from coldframe.library.transfer import run_fetch

                ref = run_fetch(spec, store)
            case BlendTask():
                from coldframe.library.transfer import run_blend

                ref = run_blend(spec, store)
            case ProbeTask():
                from coldframe.evidence.probes import run_probe

                ref = run_probe(spec, store)
    except ColdframeError:
        raise
    except MemoryError:
        raise StoreError(
            f"out of memory in step '{spec.step_id}'; give --memory a smaller value or use fewer --workers"
        ) from None
    except OSError as error:
        raise StoreError(f"step '{spec.step_id}': {error}") from error
    return ref


def _left_out(spec: BandTask | StackTask, store: Store) -> Ref | None:
    """For a stack that cannot be made and can be spared: why, in place of the stack."""
    decision = store.get(spec.decision)
    if decision is None or not decision.aside:
        return None
    return store.put(replace(decision, key=spec.key))


def _frame(spec: FrameTask, store: Store) -> Ref:
    done = store.get(spec.key)
    looks = [look for look in spec.looks if store.get(look.key) is None]
    if done is not None and (done.aside or not looks):
        return done
    frame: Frame | None = None
    said: list[str] = []
    if done is None:
        base = store.get(spec.base) if spec.base else None
        if base is not None and base.aside:
            return store.put(replace(base, key=spec.key))
        try:
            frame = store.frame(spec.base) if spec.base else _read(spec)
            for op in spec.ops:
                frame = apply_op(op, frame, store, said=said)
        except SetAside as reason:
            at = spec.step_id if spec.ops else "load"
            why = _plain(reason, spec.source)
            return store.put(_made(spec, info=spec.source, aside=why, aside_step=at))
        made = _made(spec, frame, said=tuple(said))
        done = store.put_frame(made, frame, durable=spec.durable)
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
        origin = source_ancestor(spec.key, spec.source, spec.reader)
        step, params, inputs = origin.step, origin.params, ()
    if frame is not None:
        more |= {
            "info": frame.info,
            "measures": frame.measures,
            "planes": tuple(frame.planes),
            "history": frame.history,
        }
    return Ref(spec.key, step=step, params=params, inputs=inputs, past=_past(spec, frame), **more)


def source_ancestor(key: str, info: FrameInfo, reader: str) -> Ancestor:
    """How a source frame stands in a product's ancestry: its facts, without where it lies."""
    facts = {k: v for k, v in info.to_dict().items() if k not in ("path", "kind_reason")}
    if "night" in facts:  # the whole path where two nights share a name
        facts["night"] = Path(facts["night"]).name
    told = json.dumps({"file": info.label, "reader": reader, **facts}, sort_keys=True)
    return Ancestor(key, f"read {info.label}", told, (), info.label)


def _past(spec: FrameTask, frame: Frame | None) -> tuple[Ancestor, ...]:
    """The source frame and every step of the chain: only the last one's frame is stored."""
    if not spec.ops:
        return ()
    first = spec.ops[0].came_from
    past = [] if spec.base else [source_ancestor(first, spec.source, spec.reader)]
    label = named(frame.info if frame else spec.source)
    for op in spec.ops:
        params = json.dumps(op.call.params, sort_keys=True)
        keys = (op.came_from, *op.masters.values(), op.survey, op.decision)
        inputs = tuple(dict.fromkeys(key for key in keys if key))
        past.append(Ancestor(op.key, op.call.made_by, params, inputs, label))
    return tuple(past)


def _read(spec: FrameTask) -> Frame:
    path = Path(spec.source.path)
    reader = next((r for r in worker_registry().readers if r.name == spec.reader), None)
    if reader is None:
        raise PluginError(f"the reader '{spec.reader}' for {path.name} is not installed here")
    with unchanged(path, spec.stamp):
        try:
            frame = decoded.read(reader, spec.source)
        except (ColdframeError, MemoryError, OSError):
            raise
        except Exception as error:
            what = f"{type(error).__name__}: {error}"
            raise SetAside(f"{path.name} cannot be read: {what}") from error
    if frame.data.dtype not in (np.uint16, np.float32):
        frame = frame.with_pixels(frame.data.astype(np.float32))
    # The night's facts (notes, fix-ups) outrank what the file alone says.
    return replace(frame, info=spec.source, history=(f"read {path.name}",))


def apply_op(
    op: Op,
    frame: Frame,
    store: Store,
    decided: tuple[Numbers, int] | None = None,
    said: list[str] | None = None,
) -> Frame:
    """Put a frame through one step of a chain.

    decided : a decision and the frame's place in it, instead of the one in the store.
    said : see `StepCall.context`.
    """
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
    if decided is not None:
        more["decision"], more["index"] = decided
    elif op.decision:
        decision = need(store, op.decision)
        more["decision"] = store.numbers(op.decision)
        more["index"] = decision.rows.index(op.came_from)
    if op.masters:
        more["masters"] = {kind: _master(store, key) for kind, key in op.masters.items()}
    if frame.data.dtype != np.float32:
        frame = frame.with_pixels(frame.data.astype(np.float32))
    context = call.context(op.key, said, **more)
    out: Frame = guarded(call, frame.info.label, step.apply, frame, context)
    wrong = [*wrong_facts(frame, out, step.flow)]
    if wrong:
        raise PluginError(f"{in_full(call)} on {frame.info.label}: {'; '.join(wrong)}")
    if out.history == frame.history:
        out = replace(out, history=(*out.history, call.made_by))
    return out


def _master(store: Store, key: str) -> Frame:
    """Masters serve many frames; a few stay in memory. They are read-only for every step."""

    def load() -> Frame:
        frame = store.frame(key)
        for array in (frame.data, frame.flags):
            array.flags.writeable = False
        return frame

    return budget().lent(f"{store.root}/{key}", load)


def _look(look: Look, frame: Frame, frame_key: str, store: Store) -> None:
    call = look.call
    step = call.make()
    if frame.data.dtype != np.float32:
        frame = frame.with_pixels(frame.data.astype(np.float32))
    params = json.dumps(call.params, sort_keys=True)
    made_by = call.made_by if isinstance(step, MeasureStep) else f"{call.made_by} survey"
    ref = Ref(look.key, step=made_by, params=params, inputs=(frame_key,), info=frame.info)
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


def _output(spec: OutputTask, store: Store) -> Ref:
    ref = need(store, spec.product)
    if ref.aside:
        return replace(ref, key=spec.key)
    frame = replace(store.frame(spec.product), provenance=store.ancestry(spec.product))
    writer = worker_registry().writers[spec.writer]
    try:
        path = writer.write(frame, Path(spec.folder), spec.stem, spec.options)
    except (ColdframeError, MemoryError, OSError):
        raise
    except Exception as error:  # a stranger's writer may fail in any way; the others still write
        registry = worker_registry()
        plugin = registry.origins[f"writer:{spec.writer}"].plugin
        what = f"{type(error).__name__}: {error}"
        why = f"plugin '{plugin}': its writer '{spec.writer}' failed and wrote nothing: {what}"
        return replace(ref, key=spec.key, aside=why)
    return note_written(spec, path, f"{writer.name} {writer.version}", store)
