"""Runs the tasks that only judge a run: when one fails, that is told and the run goes on."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from coldframe.errors import PluginError, SetAside, StepError
from coldframe.specs import BandTask, StackTask, TaskSpec
from coldframe.store import Ref, Store
from coldframe.tasks import run_task


def run_trial(spec: TaskSpec, after: Sequence[str], *_inputs: Any) -> Ref:
    """Do the task, then delete the products `after`, which nothing else needs.

    What goes wrong in a step is kept as the product's reason. Raises StoreError alone: a full disk
    is a full disk.
    """
    store = Store(Path(spec.store))
    ref = _blocked(spec, store)
    if ref is None:
        try:
            ref = run_task(spec)
        except (StepError, PluginError, SetAside) as error:
            ref = store.put(Ref(spec.key, aside=str(error), aside_step=spec.step_id))
    for key in after:
        store.delete(key)
    return ref


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
