"""Runs the tasks that only judge a run: when one fails, that is told and the run goes on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from coldframe.errors import PluginError, SetAside, StepError
from coldframe.specs import BandTask, StackTask, TaskSpec
from coldframe.store import Ref, Store
from coldframe.tasks import run_task


@dataclass(frozen=True, slots=True)
class Trial:
    """A task that may fail, and products that nothing needs once it is done."""

    spec: TaskSpec
    after: tuple[str, ...]


def run_trial(trial: Trial, *_inputs: Any) -> Ref:
    """Do the task, then delete the products that it was the last to need.

    What goes wrong in a step is kept as the product's reason. Raises StoreError alone: a full disk
    is a full disk.
    """
    spec = trial.spec
    store = Store(Path(spec.store))
    ref = _blocked(spec, store)
    if ref is None:
        try:
            ref = _slim(spec, run_task(spec), store)
        except (StepError, PluginError, SetAside) as error:
            ref = store.put(Ref(spec.key, aside=str(error), aside_step=spec.step_id))
    for key in trial.after:
        store.delete(key)
    return ref


def _slim(spec: TaskSpec, ref: Ref, store: Store) -> Ref:
    """A stack that only pictures are made of needs none of its further planes."""
    if not isinstance(spec, StackTask) or not ref.planes:
        return ref
    frame = replace(store.frame(spec.key), planes={})
    return store.put_frame(replace(ref, planes=()), frame)


def _blocked(spec: TaskSpec, store: Store) -> Ref | None:
    """A stack whose decision failed has failed for the same reason."""
    if not isinstance(spec, BandTask | StackTask):
        return None
    needed = [spec.decision, *(spec.bands if isinstance(spec, StackTask) else ())]
    for key in needed:
        seen = store.get(key)
        if seen is not None and seen.aside:
            return store.put(Ref(spec.key, aside=seen.aside, aside_step=seen.aside_step))
    return None
