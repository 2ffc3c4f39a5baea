"""Runs a group decision: what a step makes of all its frames' numbers, before it treats one."""

from __future__ import annotations

import json
from collections.abc import Sequence

import numpy as np

from coldframe.errors import StepError
from coldframe.specs import DecideTask, guarded, need
from coldframe.step import FrameStep, Numbers, Row, StackStep
from coldframe.store import Ref, Store, StoredNumbers


def run_decision(spec: DecideTask, store: Store) -> Ref:
    """Let the step decide from the rows of the frames that are still in.

    Raises StepError, naming what was set aside, when too few are left; a decision that can be
    spared is stored as set aside instead.
    """
    done = store.get(spec.key)
    if done is not None:
        return done
    call = spec.call
    step = call.make()
    rows, keys = _rows(spec.members, store)
    least = step.min_frames if isinstance(step, StackStep) else int(not spec.anchor)
    assert isinstance(step, FrameStep | StackStep)
    function = step.decide if isinstance(step, FrameStep) else step.prepare
    said: list[str] = []
    anchored = store.numbers(spec.anchor) if spec.anchor else {}
    context = call.context(spec.key, said, decision=anchored)
    try:
        if len(rows) < least:
            raise StepError(_too_few(spec, store, len(rows), least))
        numbers: Numbers = guarded(call, spec.label, function, rows, context)
    except StepError as error:
        if spec.spare:
            return store.put(Ref(spec.key, aside=str(error), aside_step=call.step_id))
        raise StepError(f"{error}{spec.hint}") from None
    numbers = {name: np.asarray(value, dtype=np.float64) for name, value in numbers.items()}
    columns = {
        name: tuple(map(float, value))
        for name, value in numbers.items()
        if name in step.columns and value.shape == (len(rows),)
    }
    inputs = tuple(keys)
    ref = Ref(
        spec.key,
        step=f"{call.made_by} decision",
        params=json.dumps(call.params, sort_keys=True),
        inputs=inputs,
        rows=tuple(keys),
        columns=columns,
        said=tuple(said),
    )
    return store.put_numbers(ref, numbers)


def _rows(
    members: Sequence[tuple[str, str, tuple[str, ...]]], store: Store
) -> tuple[list[Row], list[str]]:
    """The group's frames that are still in, with all the numbers about them."""
    rows: list[Row] = []
    keys: list[str] = []
    for frame_key, survey_key, measure_keys in members:
        ref = need(store, frame_key)
        looks = [need(store, key) for key in (survey_key, *measure_keys) if key and not ref.aside]
        if ref.aside or any(look.aside for look in looks):
            continue
        measures = dict(ref.measures)
        for look in looks:
            measures |= look.measures
        # Read when the step asks: star tables of thousands of frames would not fit in memory.
        survey = StoredNumbers(store, survey_key) if survey_key else {}
        rows.append(Row(info=ref.info, measures=measures, survey=survey))
        keys.append(frame_key)
    return rows, keys


def _too_few(spec: DecideTask, store: Store, left: int, least: int) -> str:
    reasons = []
    for frame_key, survey_key, measure_keys in spec.members:
        for key in (frame_key, survey_key, *measure_keys):
            ref = store.get(key) if key else None
            if ref is not None and ref.aside:
                reasons.append(f"  {ref.info.label}: {ref.aside}")
                break
    return (
        f"step '{spec.step_id}' ({spec.label}): {left} of {len(spec.members)} frames are left, "
        f"at least {least} are needed. Set aside:\n" + "\n".join(reasons)
    )
