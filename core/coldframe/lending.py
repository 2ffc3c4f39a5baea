"""Tasks that bring a calibration library's masters, or blends of two, into a run's store."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from coldframe.facts import describe
from coldframe.serving import Candidate, Served
from coldframe.specs import BlendTask, FetchTask
from coldframe.store import product_key

if TYPE_CHECKING:
    from coldframe.planned import Plan

BLEND = "blend 2"  # name and version: the same masters give other bytes when it changes

STEP = "library"
"""Under this name such tasks are counted and timed."""


def provide(served: Served, plan: Plan) -> str:
    """The key of the master that serves a frame, with tasks to have it; "" when none does."""
    if served.chosen is not None:
        return _fetch(served.chosen, plan)
    blend = served.blend
    if blend is None:
        return ""
    cold, warm = served.candidates[blend.cold], served.candidates[blend.warm]
    parts = _fetch(cold, plan), _fetch(warm, plan)
    numbers = (round(blend.weight, 6), round(blend.weight_error, 6), blend.temperature)
    key = product_key(BLEND, *parts, *numbers)
    if key not in plan.tasks:
        spec = BlendTask(str(plan.store), key, STEP, *parts, *numbers, served.note)
        plan.tasks[key] = (spec, tuple(k for k in parts if k in plan.tasks))
        info = replace(cold.info, temperature=blend.temperature)
        sources = tuple(dict.fromkeys((*cold.sources, *warm.sources)))
        label = f"{describe(info)}, interpolated"
        plan.borrowed[key] = Candidate(key, info, label, sources)
    return key


def _fetch(master: Candidate, plan: Plan) -> str:
    if master.library and master.key not in plan.tasks:
        assert plan.shelf is not None
        digest = plan.shelf.digests[master.key]
        spec = FetchTask(
            str(plan.store), master.key, STEP, str(plan.shelf.store), digest, master.label
        )
        plan.tasks[master.key] = (spec, ())
        plan.borrowed[master.key] = master
    return master.key
