"""Runs a stack step over bands of rows, so that memory does not grow with the frame's size."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from coldframe.errors import PluginError, StepError
from coldframe.frame import Array, Frame, FrameInfo
from coldframe.grouping import common_facts
from coldframe.planes import Joined, Planes, whole
from coldframe.specs import BandTask, StackTask, guarded, need
from coldframe.step import StackStep, Tile
from coldframe.store import Ref, Store


def band_rows(height: int, part: int, parts: int) -> tuple[int, int]:
    """First and past-last row of one of `parts` bands."""
    return height * part // parts, height * (part + 1) // parts


def run_band(spec: BandTask, store: Store) -> Ref:
    """Reduce one band of every colour and store its planes."""
    done = store.get(spec.key) or store.get(spec.stack)
    if done is not None:
        return done
    step = spec.call.make()
    assert isinstance(step, StackStep)
    decision_ref = need(store, spec.decision)
    context = spec.call.context(spec.key, decision=store.numbers(spec.decision))
    bands = [store.bands(key) for key in decision_ref.rows]
    first = bands[0]
    for key, band in zip(decision_ref.rows, bands, strict=True):
        if (band.channels, band.height, band.width) != (first.channels, first.height, first.width):
            raise StepError(
                f"step '{spec.step_id}': {need(store, key).info.label} is "
                f"{band.width} x {band.height} x {band.channels}, the others are "
                f"{first.width} x {first.height} x {first.channels}; group them apart with 'per:'"
            )
    y0, y1 = band_rows(first.height, spec.part, spec.parts)
    halo = step.halo_rows(spec.call.params)
    top, bottom = max(0, y0 - halo), min(first.height, y1 + halo)
    shape = (len(bands), bottom - top, first.width)
    data, flags = np.empty(shape, np.float32), np.empty(shape, np.uint8)
    merged: dict[str, list[Array]] = {}
    for channel in range(first.channels):
        for i, band in enumerate(bands):
            band.read(top, bottom, channel, data[i], flags[i])
        tile = Tile(data=data, flags=flags, channel=channel, y0=top)
        planes = guarded(spec.call, f"rows {y0}-{y1}", step.reduce, tile, context)
        _check_planes(planes, shape[1:], spec)
        if spec.trial is not None:  # only pictures are made of it
            planes = {name: planes[name] for name in ("data", "flags")}
        for name, plane in planes.items():
            merged.setdefault(name, []).append(plane[y0 - top : y1 - top])
    frame = _join(merged, FrameInfo())
    return store.put_frame(Ref(spec.key), frame)


def _check_planes(planes: object, shape: tuple[int, ...], spec: BandTask) -> None:
    good = isinstance(planes, Mapping) and {"data", "flags"} <= set(planes)
    if not good or any(plane.shape != shape for plane in planes.values()):  # type: ignore[attr-defined]
        raise PluginError(
            f"step '{spec.step_id}' ({spec.call.use}): reduce must return 'data', 'flags' and "
            f"any other planes, each of shape {shape}"
        )


def _join(merged: dict[str, list[Array]], info: FrameInfo) -> Frame:
    """Colour planes together; the flags of all colours in one mask."""
    flags = np.bitwise_or.reduce(merged.pop("flags"), axis=0)
    planes = {
        name: np.ascontiguousarray(parts[0]) if len(parts) == 1 else np.stack(parts)
        for name, parts in merged.items()
    }
    data = planes.pop("data").astype(np.float32, copy=False)
    return Frame(data=data, flags=np.ascontiguousarray(flags), info=info, planes=planes)


def run_stack(spec: StackTask, store: Store) -> Ref:
    """Join the bands, finish the stack and store it; the bands are then deleted.

    Memory holds the pixels and flags of the whole, and what the step's `finish` asks for. A trial
    is not finished: it has no planes to measure, and is there to be seen beside its like.
    """
    done = store.get(spec.key)
    if done is None:
        step = spec.call.make()
        assert isinstance(step, StackStep)
        decision_ref = need(store, spec.decision)
        refs = [need(store, key) for key in decision_ref.rows]
        stack = _assemble(spec, store)
        stack = replace(
            stack,
            info=replace(common_info([ref.info for ref in refs]), shape=stack.shape),
            measures={
                "frames": float(len(refs)),
                "exposure_total": float(sum(ref.info.exposure or 0.0 for ref in refs)),
            },
            history=(
                *(f"{refs[0].info.label}: {line}" for line in refs[0].history),
                f"{spec.call.made_by}: {len(refs)} frames, {spec.label}",
            ),
        )
        said: list[str] = []
        if spec.trial is None:
            context = spec.call.context(spec.key, said, decision=store.numbers(spec.decision))
            stack = guarded(spec.call, spec.label, step.finish, stack, context)
        done = store.put_frame(
            Ref(
                spec.key,
                step=spec.call.made_by,
                params=json.dumps(spec.call.params, sort_keys=True),
                inputs=(spec.decision, *decision_ref.rows),
                info=stack.info,
                measures=stack.measures,
                planes=tuple(stack.planes),
                history=stack.history,
                said=tuple(said),
            ),
            stack,
            durable=spec.trial is None,
        )
    for key in spec.bands:
        store.delete(key)
    return done


def _assemble(spec: StackTask, store: Store) -> Frame:
    """The whole of the bands: pixels and flags in memory, the other planes still in their files."""
    parts = [store.planes(key) for key in spec.bands]
    joined = {name: Joined(tuple(part[name] for part in parts)) for name in parts[0]}
    data, flags = whole(joined.pop("data")), whole(joined.pop("flags"))
    return Frame(data=data, flags=flags, info=FrameInfo(), planes=Planes(joined))


def common_info(infos: Sequence[FrameInfo]) -> FrameInfo:
    """What all frames agree on; the mean temperature; the earliest start."""
    common = common_facts(infos)
    temperatures = [info.temperature for info in infos if info.temperature is not None]
    starts = [info.start for info in infos if info.start is not None]
    return replace(
        common,
        path="",
        digest="",
        hdu=None,
        plane=None,
        kind_reason="",
        temperature=round(math.fsum(temperatures) / len(temperatures), 3) if temperatures else None,
        start=min(starts) if starts else None,
    )
