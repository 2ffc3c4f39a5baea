"""From folders to a plan, from a plan to products, a manifest and a report."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from coldframe.ahead import compiling_ahead
from coldframe.budget import limited
from coldframe.camera.known import complete, find_cameras
from coldframe.choose import choose_recipe
from coldframe.decoded import decoded
from coldframe.digests import cache_file
from coldframe.disk import check_disk
from coldframe.errors import StepError, UsageError
from coldframe.estimate import estimate, load_rates, save_rates
from coldframe.evidence.planning import add_proof
from coldframe.execute import SCHEDULERS, pending, run_plan
from coldframe.footprint import BASE, fitting_reports
from coldframe.graph import compile_plan
from coldframe.learned import learn, read_learned, record_file
from coldframe.library.library import open_shelf
from coldframe.limits import check_memory, fitting_readers, fitting_workers
from coldframe.manifest import unfinished, versions, write_manifest
from coldframe.memory import reuse_freed_memory
from coldframe.night import DigestCache, NightScan, reader_for, scan
from coldframe.planned import Plan, Resources, SetAsideFrame
from coldframe.plugins import Registry
from coldframe.prepared import Prepared, Request
from coldframe.recipe import Recipe, load_recipe
from coldframe.recipe_document import find_recipe
from coldframe.recovery import running
from coldframe.report.record import RunRecord
from coldframe.sources import stamp_sources
from coldframe.specs import OutputTask, TaskSpec
from coldframe.store import Ref, Store
from coldframe.tidy import Tidy
from coldframe.timing import Timings
from coldframe.usage import note_use
from coldframe.vetting.verdict import Verdict, Vetted, warnings
from coldframe.vetting.vet import vet

PLENTY = 4 << 30
"""Bytes of memory from which on time counts for more."""


def prepare(
    request: Request, registry: Registry, watch: Callable[[int, int], None] | None = None
) -> Prepared:
    """Scan, choose the recipe, inspect, match and plan. Writes nothing but what it remembers of the
    frames.

    watch : called with (frames looked at, frames in all), from any thread; once for what they are
    and once for what is wrong with them.

    Raises UsageError for folders or recipes that cannot be used.
    """
    output = request.output.resolve()
    # Workers elsewhere have another working folder.
    library = request.library and request.library.absolute()
    request = replace(request, store=request.store.absolute(), library=library)
    cameras = find_cameras(request.cameras)
    for night in request.nights:
        if output == night.resolve():
            raise UsageError(f"{output} is a night's own folder; choose another with -o")
    named = (
        load_recipe(find_recipe(request.recipe), registry, request.overrides)
        if request.recipe
        else None
    )
    digests = DigestCache(request.cache or cache_file(request.nights, request.store))
    decoded.keep((request.memory - BASE) // 2)
    if request.memory >= PLENTY:
        reuse_freed_memory()
    found = scan(
        request.nights,
        registry.readers,
        registry.fix_metadata,
        patterns=named.kinds if named else {},
        digests=digests,
        workers=_here(request),
        only=request.only,
        watch=watch,
    )
    if not found.frames:
        reasons = "".join(f"\n  {label}: {why}" for label, why in found.set_aside)
        raise UsageError(f"no usable frame in {_names(request.nights)}{reasons}")
    known = complete(found.frames, cameras)
    found = replace(found, frames=known.frames)
    shelf = open_shelf(request.library, request.use_library)
    if named is not None:
        recipe, why = named, "named by you"
    else:
        masters = [candidate.info for candidate in shelf.candidates] if shelf else []
        choice = choose_recipe(found.frames, registry, request.overrides, masters)
        recipe, why = choice.recipe, choice.why
        found = replace(found, warnings=found.warnings + choice.misfits)
    resources = Resources(
        request.workers, request.memory, request.scheduler not in ("threads", "sync")
    )
    vetted, found = _vet(request, recipe, found, registry, digests, resources, watch)
    found = replace(found, warnings=found.warnings + registry.faults.take())
    bad = {id(v.info) for v in vetted}
    frames = [
        (info, reader_for(info, registry.readers).name)
        for info in found.frames
        if id(info) not in bad
    ]
    try:
        plan = compile_plan(
            recipe,
            frames,
            registry,
            store=request.store,
            output=output,
            resources=resources,
            shelf=shelf,
            nights=found.nights,
            each_night=request.each_night,
        )
    except UsageError as error:
        raise UsageError(f"{error}{_aside_lines(vetted)}") from None
    # The plan's own list keeps the facts, so that the report can show each frame.
    plan.set_aside[:0] = [SetAsideFrame(v.info, v.reason, "inspect") for v in vetted]
    proof = add_proof(plan, registry, found.frames, request.compare_masters)
    stamp_sources(plan.tasks, digests)
    tasks = pending(plan)
    learned = read_learned(record_file())
    rates = {**load_rates(request.store), **learned.rates}
    cost, needs = estimate(plan, tasks, resources, rates, registry, learned.first_use)
    return Prepared(
        request, recipe, why, found, plan, tasks, resources, cost, rates, needs, known.used, proof
    )


def _vet(
    request: Request,
    recipe: Recipe,
    found: NightScan,
    registry: Registry,
    digests: DigestCache,
    resources: Resources,
    watch: Callable[[int, int], None] | None,
) -> tuple[list[Vetted], NightScan]:
    """(frames to set aside, the scan with the warnings added)."""
    if recipe.inspect is None or not request.inspect:
        return [], found
    with _ahead(request, recipe, registry, found):
        vetted, _, found = vet(
            found,
            registry,
            recipe.inspect,
            digests,
            use_anyway=request.use_anyway,
            workers=min(_here(request), fitting_readers(found.frames, resources)),
            watch=watch,
        )
    aside = [v for v in vetted if v.verdict is Verdict.SET_ASIDE]
    return aside, replace(found, warnings=found.warnings + warnings(vetted))


def _ahead(
    request: Request, recipe: Recipe, registry: Registry, found: NightScan
) -> AbstractContextManager[None]:
    """Loops of later steps are compiled beside those of the first, at first use."""
    cfa = next((info.cfa for info in found.frames if info.cfa), None)
    return compiling_ahead(recipe, registry, cfa, _here(request), request.memory)


def _here(request: Request) -> int:
    """Threads for the scan: those asked for may be a cluster's, this machine has its own."""
    return min(request.workers, default_workers())


def _aside_lines(vetted: Sequence[Vetted]) -> str:
    if not vetted:
        return ""
    few = "".join(f"\n  {v.label}: {v.reason}" for v in vetted[:10])
    more = f"\n  and {len(vetted) - 10} more" if len(vetted) > 10 else ""
    return f"; the inspection set aside (--use-anyway '*' uses them all):{few}{more}"


def _names(nights: Sequence[Path]) -> str:
    return ", ".join(str(night) for night in nights)


Progress = Callable[[TaskSpec, Ref | None], None]


def run(
    prepared: Prepared,
    registry: Registry,
    progress: Progress | None = None,
    say: Callable[[str], None] | None = None,
) -> RunRecord:
    """Run the plan; write products, report.html and the manifest into the output folder.

    say : told in lines for people what is worth knowing meanwhile, from any thread.

    Raises ColdframeError when the work fails; finished products stay in the store.
    """
    from coldframe.finishing import finish
    from coldframe.recording import make_record

    request, plan = prepared.request, prepared.plan
    if request.scheduler in SCHEDULERS:  # others have memory of their own
        check_memory(prepared.needs, prepared.tasks, prepared.resources)
    store = Store(request.store)
    store.check_writable()
    check_disk(prepared.estimate.disk, request.store_keeps, request.store, request.output)
    # Marks the folder from the start, so that a later scan never takes products for frames.
    write_manifest(request.output, unfinished("running", prepared.recipe.name))
    began = datetime.now(UTC)
    timings = Timings(plan)

    def watch(spec: TaskSpec, ref: Ref | None) -> None:
        if ref is not None:
            timings.add(spec, ref)
            if tidy is not None:
                tidy.done(spec)
        if progress is not None:
            progress(spec, ref)

    note_use(plan, request.output)
    # Another run may need what this one does not.
    tidy = None if running(request.store) else Tidy(plan, prepared.tasks, request.store_keeps)
    if tidy is not None:
        tidy.begin(request.output)
    started = time.perf_counter()
    here = request.scheduler in ("sync", "threads")
    kept = decoded.keep(request.memory - prepared.estimate.memory if here else 0)
    decoded.keep(kept)  # and no more: the rest is for tasks
    ahead = (
        _ahead(request, prepared.recipe, registry, prepared.scan)
        if here and prepared.tasks
        else nullcontext()
    )
    with (
        limited(prepared.resources.memory - BASE - kept, prepared.needs),
        ahead,
    ):
        made = run_plan(
            plan,
            dict(prepared.tasks),
            scheduler=request.scheduler,
            workers=fitting_workers(prepared.needs.values(), prepared.resources),
            memory=prepared.resources.memory,
            watch=watch,
            say=say,
        )
    elapsed = time.perf_counter() - started
    if tidy is not None:
        tidy.end()
    save_rates(request.store, timings.spent)
    if here and prepared.tasks:
        learn(record_file(), timings.spent)
    record = make_record(
        prepared,
        registry,
        made,
        timings=timings.seconds,
        versions=versions(registry),
        elapsed=elapsed,
    )
    # The limit may be a cluster's; what follows is done on this machine.
    memory = request.memory if here else min(request.memory, default_memory())
    threads = min(_here(request), fitting_reports(plan, registry, memory - BASE - kept))
    record = finish(prepared, registry, record, timings, began, threads)
    _check_made(plan, store)
    return record


def _check_made(plan: Plan, store: Store) -> None:
    """Raise StepError when nothing at all came out, with the first reason."""
    wanted = [
        store.get(key) for key in plan.targets if not isinstance(plan.tasks[key][0], OutputTask)
    ]
    if wanted and all(ref is not None and ref.aside for ref in wanted):
        raise StepError(next(ref.aside for ref in wanted if ref is not None))


def default_workers() -> int:
    """The cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def default_memory() -> int:
    """Half of the machine's memory."""
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") // 2
    except (AttributeError, ValueError, OSError):
        return 4 << 30
