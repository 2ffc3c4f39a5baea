"""Measures what a run costs beside its steps: handing out a task, and planning."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from coldframe.distributing import joined
from coldframe.graph import compile_plan
from coldframe.planned import Plan, Resources
from coldframe.plugins import Registry
from coldframe.recipe import Recipe
from coldframe.scale.season import season
from coldframe.specs import FrameTask
from coldframe.store import Ref, Store

WORKERS, MEMORY = 32, 32 * (4 << 30)
"""What stacks are cut into bands for, whatever number of workers is simulated."""


def planned(recipe: Recipe, registry: Registry, frames: int, folder: Path) -> tuple[Plan, float]:
    """The plan of an invented season of so many frames, and the seconds that planning took.

    folder : the store, of which nothing need be there.
    """
    facts = season(frames)
    nights = list(dict.fromkeys(info.night or "" for info, _ in facts))
    begun = time.process_time()
    plan = compile_plan(
        recipe,
        facts,
        registry,
        store=folder,
        output=folder / "out",
        resources=Resources(WORKERS, MEMORY),
        nights=nights,
    )
    return plan, time.process_time() - begun


def overhead(recipe: Recipe, registry: Registry, tasks: int = 600) -> float:
    """Seconds of one core that a dask scheduler and its client spend on handing out one task.

    Tasks of a plan are handed to a worker here that finds their work done. Scheduler and client
    share a process, whose processor time is taken: other work on the machine does not count.

    Raises UsageError when the package for it is not installed.
    """
    with tempfile.TemporaryDirectory(prefix="coldframe-scale-") as name:
        plan, _ = planned(recipe, registry, 4 * tasks, Path(name))
        store = Store(plan.store)
        specs = [s for s, _ in plan.tasks.values() if isinstance(s, FrameTask)][:tasks]
        for spec in specs:
            store.put(Ref(spec.key, aside="done for the measurement", info=spec.source))
        jobs = {spec.key: (spec, ()) for spec in specs}
        first, rest = dict(list(jobs.items())[:50]), dict(list(jobs.items())[50:])
        # The workers are not asked whether they see the source frames: there are none.
        with joined(plan.store, {}, "local", 1, 0, lambda _: None) as team:
            team.run(first, lambda _spec, _ref: None)  # plugins are loaded, connections made
            begun = time.process_time()
            team.run(rest, lambda _spec, _ref: None)
            return (time.process_time() - begun) / len(rest)
