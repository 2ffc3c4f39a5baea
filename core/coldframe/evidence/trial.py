"""Runs the tasks that only judge a run: when one fails, that is told and the run goes on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from coldframe.errors import PluginError, SetAside, StepError
from coldframe.specs import StackTask, TaskSpec
from coldframe.store import Ref, Store


def run_trial(spec: TaskSpec, do: Callable[[TaskSpec], Ref]) -> Ref:
    """Do the task, then delete the products that it was the last to need (`specs.Trial`).

    What goes wrong in a step is kept as the product's reason. Raises StoreError alone: a full disk
    is a full disk.
    """
    store = Store(Path(spec.store))
    try:
        ref = _failed_band(spec, store) or do(spec)
    except (StepError, PluginError, SetAside) as error:
        ref = store.put(Ref(spec.key, aside=str(error), aside_step=spec.step_id))
    for key in getattr(spec, "trial", None) or ():
        store.delete(key)
    return ref


def _failed_band(spec: TaskSpec, store: Store) -> Ref | None:
    """A stack of which a band could not be made: why, in place of the stack."""
    for key in spec.bands if isinstance(spec, StackTask) else ():
        band = store.get(key)
        if band is not None and band.aside:
            return store.put(replace(band, key=spec.key))
    return None
