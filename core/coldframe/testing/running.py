"""Runs a step in memory as the engine does: same order of calls, same random numbers."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np

from coldframe.errors import SetAside, StepError
from coldframe.frame import Array, Frame, FrameInfo
from coldframe.step import Context, FrameStep, MeasureStep, Numbers, Row, StackStep, Step, Tile


@dataclass(frozen=True)
class Result:
    """What came out. frames : one for each input (None: set aside), or the one stack.

    measures : what was reported of each input, by column. asides : frame label -> reason.
    stopped : the message of a StepError, which ends a run.
    """

    frames: tuple[Frame | None, ...] = ()
    measures: tuple[Mapping[str, float], ...] = ()
    decision: Numbers = field(default_factory=dict)
    asides: Mapping[str, str] = field(default_factory=dict)
    stopped: str = ""

    @property
    def made(self) -> list[Frame]:
        """The frames that came out."""
        return [frame for frame in self.frames if frame is not None]

    def digest(self) -> str:
        """A digest of every byte of the result."""
        total = hashlib.blake2b(digest_size=16)
        for frame in self.made:
            total.update(frame_digest(frame).encode())
        for name, value in sorted(self.decision.items()):
            total.update(name.encode() + array_bytes(np.asarray(value)))
        rest = [[sorted(m.items()) for m in self.measures], sorted(self.asides.items())]
        total.update(json.dumps([*rest, self.stopped]).encode())
        return total.hexdigest()


def array_bytes(array: Array) -> bytes:
    """Type, shape and bytes of an array."""
    return f"{array.dtype}{array.shape}".encode() + np.ascontiguousarray(array).tobytes()


def frame_digest(frame: Frame) -> str:
    """A digest of everything about a frame."""
    total = hashlib.blake2b(digest_size=16)
    for name, plane in sorted({**frame.planes, "": frame.data, " ": frame.flags}.items()):
        total.update(name.encode() + array_bytes(plane))
    facts = [frame.info.to_dict(), sorted(frame.measures.items()), frame.history]
    total.update(json.dumps(facts, default=str).encode())
    return total.hexdigest()


def run_step(
    step: type[Step] | Step,
    frames: Sequence[Frame],
    *,
    masters: Mapping[str, Frame] | None = None,
    params: Mapping[str, Any] | None = None,
    bands: int = 1,
) -> Result:
    """Do to the frames what a run would do with this step.

    Parameters
    ----------
    masters : by kind, as `ctx.masters`. params : what differs from the defaults.
    bands : into how many bands of rows a stack is cut; no result may depend on it.

    Raises
    ------
    Exception
        Whatever the step raises, but SetAside and StepError, which are part of the result.
    """
    maker = step if isinstance(step, type) else type(step)
    unknown = set(params or {}) - set(maker.params)
    if unknown:
        raise ValueError(f"step '{maker.name}' has no parameter {', '.join(sorted(unknown))}")
    values = {name: spec["default"] for name, spec in maker.params.items()} | dict(params or {})
    job = _Job(step() if isinstance(step, type) else step, values, masters or {})
    try:
        if isinstance(job.step, StackStep):
            return job.stack(job.step, frames, bands)
        if isinstance(job.step, FrameStep):
            return job.each(job.step, frames)
        if isinstance(job.step, MeasureStep):
            return job.measured(job.step, frames)
    except StepError as error:
        return Result(asides=job.asides, stopped=str(error) or "(no message)")
    raise TypeError(f"{job.step!r} is no FrameStep, StackStep or MeasureStep")


class _Job:
    """One run of one step over some frames."""

    def __init__(self, step: Step, params: Mapping[str, Any], masters: Mapping[str, Frame]) -> None:
        self.step, self.params, self.masters = step, params, masters
        self.asides: dict[str, str] = {}

    def context(self, what: str, label: str, **more: Any) -> Context:
        seed = hashlib.blake2b(f"{what} {label}".encode(), digest_size=8).digest()
        rng = np.random.default_rng(int.from_bytes(seed))
        return Context(params=self.params, rng=rng, **more)

    def attempt(self, frame: Frame, call: Callable[[], Any]) -> Any:
        """What the call gives; None when it sets the frame aside."""
        try:
            return call()
        except SetAside as reason:
            self.asides[frame.info.label] = str(reason) or "(no reason)"
            return None

    def rows(self, frames: Sequence[Frame]) -> dict[int, Row]:
        """The surveyed frames by number; those set aside are missing."""
        found = {}
        for i, frame in enumerate(frames):
            context = self.context("survey", frame.info.label)
            numbers = self.attempt(frame, partial(self.step.survey, frame, context))
            if numbers is not None:
                told = {
                    name: float(value[0])
                    for name, value in numbers.items()
                    if name in self.step.columns and value.shape == (1,)
                }
                found[i] = Row(frame.info, {**frame.measures, **told}, numbers)
        return found

    def each(self, step: FrameStep, frames: Sequence[Frame]) -> Result:
        rows = self.rows(frames)
        if not rows:
            raise StepError("no frame is left")
        decision = _floats(step.decide(list(rows.values()), self.context("decide", "")))
        out: list[Frame | None] = [None] * len(frames)
        for place, (i, row) in enumerate(rows.items()):
            frame = replace(frames[i], measures=row.measures)
            context = self.context(
                "apply", frame.info.label,
                masters=self.masters, survey=row.survey, decision=decision, index=place,
            )  # fmt: skip
            out[i] = self.attempt(frame, partial(step.apply, frame, context))
        measures = tuple({} if frame is None else frame.measures for frame in out)
        return Result(tuple(out), measures, decision, self.asides)

    def measured(self, step: MeasureStep, frames: Sequence[Frame]) -> Result:
        rows = [
            self.attempt(f, partial(step.measure, f, self.context("measure", f.info.label)))
            for f in frames
        ]
        measures = tuple({} if row is None else dict(row) for row in rows)
        return Result(measures=measures, asides=self.asides)

    def stack(self, step: StackStep, frames: Sequence[Frame], bands: int) -> Result:
        rows = self.rows(frames)
        if len(rows) < max(step.min_frames, 1):
            raise StepError(f"{len(rows)} frames are left, at least {step.min_frames} are needed")
        decision = _floats(step.prepare(list(rows.values()), self.context("prepare", "")))
        kept = [frames[i] for i in rows]
        context = self.context("reduce", "", decision=decision)
        height, halo = kept[0].shape[0], step.halo_rows(self.params)
        colours = []
        for channel in range(len(kept[0].channels)):
            parts = []
            for band in range(bands):
                y0, y1 = height * band // bands, height * (band + 1) // bands
                top, bottom = max(0, y0 - halo), min(height, y1 + halo)
                data = np.stack([f.channels[channel][top:bottom] for f in kept])
                flags = np.stack([f.flags[top:bottom] for f in kept])
                planes = step.reduce(Tile(data, flags, channel, top), context)
                _check_planes(planes, data.shape[1:])
                parts.append({name: plane[y0 - top : y1 - top] for name, plane in planes.items()})
            colours.append({n: np.concatenate([p[n] for p in parts]) for n in parts[0]})
        joined = {
            name: np.stack([c[name] for c in colours]) if len(colours) > 1 else colours[0][name]
            for name in colours[0]
        }
        data = joined.pop("data")
        flags = np.bitwise_or.reduce(joined.pop("flags").reshape(-1, *kept[0].shape), axis=0)
        stack = Frame(data, flags, FrameInfo(kind=kept[0].info.kind), joined, history=("stack",))
        stack = step.finish(stack, self.context("finish", "", decision=decision))
        measures: list[dict[str, float]] = [{} for _ in frames]
        for place, (i, row) in enumerate(rows.items()):
            measures[i] = {k: v for k, v in row.measures.items() if k in step.columns}
            for name, value in decision.items():
                if name in step.columns and value.shape == (len(rows),):
                    measures[i][name] = float(value[place])
        return Result((stack,), tuple(measures), decision, self.asides)


def _floats(numbers: Numbers) -> Numbers:
    return {name: np.asarray(value, dtype=np.float64) for name, value in numbers.items()}


def _check_planes(planes: Any, shape: tuple[int, ...]) -> None:
    assert isinstance(planes, Mapping), f"reduce returned {type(planes).__name__}, not planes"
    missing = {"data", "flags"} - set(planes)
    assert not missing, f"reduce returned no plane {' and '.join(sorted(missing))}"
    for name, plane in planes.items():
        assert np.shape(plane) == shape, (
            f"reduce returned '{name}' of shape {np.shape(plane)} for a tile of {shape}"
        )
