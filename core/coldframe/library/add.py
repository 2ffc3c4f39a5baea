"""From folders of calibration frames to masters in the library."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from coldframe.budget import limited
from coldframe.camera.known import complete, find_cameras
from coldframe.choose import choose_recipe
from coldframe.digests import DigestCache, file_digest
from coldframe.errors import StoreError, UsageError
from coldframe.execute import pending, run_plan
from coldframe.footprint import BASE, needs
from coldframe.frame import FrameInfo, Kind
from coldframe.graph import compile_plan
from coldframe.grouping import group
from coldframe.library.entry import Entry, Shot
from coldframe.library.library import Library
from coldframe.limits import check_memory
from coldframe.night import NightScan, reader_for, scan
from coldframe.planned import Item, Plan, Resources, frame_id
from coldframe.plugins import Registry
from coldframe.recipe import Recipe, load_recipe
from coldframe.recipe_document import find_recipe
from coldframe.sources import stamp_sources
from coldframe.specs import FrameTask
from coldframe.step import Context, MeasureStep, StackStep
from coldframe.store import Ref, Store

MEASURE = "measure-master"
"""The step whose numbers a master's page shows, where one of that name is installed."""

Say = Callable[[str], None]
"""Told in words what is being done; an add may take minutes."""


@dataclass
class Added:
    """What became of the folders. new, known : masters made now, and those already there."""

    new: list[Entry] = field(default_factory=list)
    known: list[Entry] = field(default_factory=list)
    set_aside: list[tuple[str, str]] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    lights: int = 0


@dataclass(frozen=True, slots=True)
class Wish:
    """How masters are to be made. recipe : None chooses the one that suits each camera."""

    recipe: str | None = None
    overrides: tuple[str, ...] = ()
    workers: int = 1
    memory: int = 4 << 30
    versions: Mapping[str, str] = field(default_factory=dict)
    cameras: tuple[Path, ...] = ()  # camera files, before those of the user's cameras folder


def add(
    folders: Sequence[Path], library: Library, registry: Registry, wish: Wish, say: Say
) -> Added:
    """Combine the folders' calibration frames as the recipe says and keep the masters.

    Raises
    ------
    UsageError
        No calibration frame in the folders, or a recipe that makes no masters.
    ColdframeError
        The work failed; masters already kept stay.
    """
    library.check_writable()
    named = _named(wish, registry)
    digests = DigestCache(library.root / "digests.json")
    found = scan(
        folders,
        registry.readers,
        registry.fix_metadata,
        patterns=named.kinds if named else {},
        digests=digests,
        workers=wish.workers,
    )
    known = complete(found.frames, find_cameras(wish.cameras)).frames
    # Dust is of one night; bias and darks of several evenings make one master.
    frames = [
        info if info.kind is Kind.FLAT else replace(info, night=None)
        for info in known
        if info.kind is not Kind.LIGHT
    ]
    out = Added(
        set_aside=list(found.set_aside), warnings=[*found.warnings, *registry.faults.take()]
    )
    out.lights = len(found.frames) - len(frames)
    if not frames:
        raise UsageError(_nothing(folders, found))
    for camera in dict.fromkeys(info.camera for info in frames):
        own = [info for info in frames if info.camera == camera]
        recipe = named or _suited(own, registry, wish.overrides)
        with work_folder(library.root) as work:
            _make(own, recipe, library, registry, wish, work, digests, say, out)
    return out


def _named(wish: Wish, registry: Registry) -> Recipe | None:
    if wish.recipe is None:
        return None
    return load_recipe(find_recipe(wish.recipe), registry, wish.overrides)


def _nothing(folders: Sequence[Path], found: NightScan) -> str:
    reasons = "".join(f"\n  {label}: {why}" for label, why in found.set_aside)
    return f"no calibration frame in {', '.join(map(str, folders))}{reasons}"


def _suited(frames: Sequence[FrameInfo], registry: Registry, overrides: Sequence[str]) -> Recipe:
    """The recipe for a camera. A library has darks of many temperatures: whether the camera is
    cooled shows in frames taken together, so the largest such group speaks for all."""
    sets = group(frames, ("kind", "exposure", "temperature"))
    largest = max(sets, key=lambda g: len(g.members))
    return choose_recipe([frames[i] for i in largest.members], registry, overrides).recipe


def master_steps(recipe: Recipe, registry: Registry) -> list[str]:
    """Ids of the recipe's steps that combine frames into masters.

    Raises UsageError when there is none.
    """
    serving = {name for step in recipe.steps.values() for name in step.masters}
    found = [
        step.id
        for step in recipe.steps.values()
        if step.id in serving and issubclass(registry.step(step.use), StackStep)
    ]
    if not found:
        raise UsageError(f"the recipe '{recipe.name}' makes no masters; name another with --recipe")
    return found


def _make(
    frames: Sequence[FrameInfo],
    recipe: Recipe,
    library: Library,
    registry: Registry,
    wish: Wish,
    work: Path,
    digests: DigestCache,
    say: Say,
    out: Added,
) -> None:
    readable = [(info, reader_for(info, registry.readers).name) for info in frames]
    goals = master_steps(recipe, registry)
    plan = compile_plan(
        recipe,
        readable,
        registry,
        store=work,
        output=work,
        resources=Resources(wish.workers, wish.memory),
        shelf=library.shelf(),
        goals=goals,
    )
    stamp_sources(plan.tasks, digests)
    here = {entry.key: entry for entry in library.entries()}
    out.known += [here[key] for key in plan.targets if key in here]
    plan.targets = [key for key in plan.targets if key not in here]
    out.warnings += plan.warnings
    out.set_aside += [(aside.info.label, aside.reason) for aside in plan.set_aside]
    say(
        f"{frames[0].camera or 'unknown camera'}: {len(frames)} frames, recipe {recipe.name}, "
        f"{len(plan.targets)} masters to make"
    )
    tasks, resources = pending(plan), Resources(wish.workers, wish.memory)
    taken = needs(plan, tasks, registry)
    check_memory(taken, tasks, resources)
    with limited(wish.memory - BASE, taken):
        run_plan(plan, tasks, workers=wish.workers)
    store = Store(work)
    for goal in goals:
        for item in plan.flows[goal]:
            if item.key in plan.targets:
                _tell_past(item.key, store)
                entry = _entry(item, goal, plan, store, registry, wish)
                (out.new if library.keep(entry, store.file(item.key)) else out.known).append(entry)
                say(f"kept {entry.id} ({entry.label})")
    out.set_aside += _left_out(plan, store)


def _tell_past(key: str, store: Store) -> None:
    """The frames behind a master go with it: the store they were made in does not stay."""
    ref = store.get(key)
    if ref is not None:
        store.put(replace(ref, past=store.ancestry(key)), durable=True)


def _entry(
    item: Item, goal: str, plan: Plan, store: Store, registry: Registry, wish: Wish
) -> Entry:
    ref = store.get(item.key)
    if ref is None:
        raise StoreError(f"{store.file(item.key)} is gone while it was being added; add again")
    file = store.file(item.key)
    return Entry(
        key=item.key,
        info=ref.info,
        measures={**ref.measures, **_measured(ref, store, registry)},
        shots=_shots(ref, goal, plan, store),
        digest=file_digest(file),
        size=file.stat().st_size,
        added=datetime.now(UTC).isoformat(timespec="seconds"),
        recipe=plan.recipe.name,
        step=ref.step,
        versions=dict(wish.versions),
    )


def _measured(ref: Ref, store: Store, registry: Registry) -> dict[str, float]:
    """The numbers of the measuring step, which needs the master's pixels."""
    cls = registry.steps.get(MEASURE)
    if cls is None or not issubclass(cls, MeasureStep):
        return {}
    params = {name: schema["default"] for name, schema in cls.params.items()}
    numbers = cls().measure(store.frame(ref.key), Context(params=params))
    return {name: float(value) for name, value in numbers.items()}


def _shots(ref: Ref, goal: str, plan: Plan, store: Store) -> tuple[Shot, ...]:
    """The frames that went in, with the levels the combine step saw."""
    decision = store.get(ref.inputs[0])
    members = {item.key: item for s in plan.recipe.steps[goal].sources for item in plan.flows[s]}
    shots = []
    for key in decision.rows if decision else ():
        item = members[key]
        spec = plan.tasks[key][0]
        seen: dict[str, float] = {}
        for look in spec.looks if isinstance(spec, FrameTask) else ():
            found = store.get(look.key)
            seen |= found.measures if found else {}
        info = item.source
        shots.append(
            Shot(
                id=frame_id(info),
                label=info.label,
                start=info.start.isoformat() if info.start else None,
                exposure=info.exposure,
                temperature=info.temperature,
                level=seen.get("level"),
                noise=seen.get("noise"),
            )
        )
    return tuple(shots)


def _left_out(plan: Plan, store: Store) -> Iterator[tuple[str, str]]:
    """Frames that could not be read or used."""
    for key, (spec, _) in plan.tasks.items():
        if isinstance(spec, FrameTask):
            ref = store.get(key)
            if ref is not None and ref.aside:
                yield ref.info.label, ref.aside


@contextmanager
def work_folder(root: Path) -> Iterator[Path]:
    """A folder for what is in between, on the library's own disk; gone afterwards.

    Its lock is held while the process lives, so that what a killed process left is told from
    what another one still uses, and cleared away by the next.
    """
    base = root / "work"
    try:
        base.mkdir(parents=True, exist_ok=True)
        with (base / "lock").open("w") as all_of_them:
            _lock(all_of_them.fileno(), wait=True)  # nobody else begins or clears meanwhile
            _clear(base)
            work = Path(tempfile.mkdtemp(dir=base))
            lock = (work / "lock").open("w")
            _lock(lock.fileno())
    except OSError as error:
        raise StoreError(f"cannot write in {base}: {error.strerror}") from None
    try:
        yield work
    finally:
        shutil.rmtree(work, ignore_errors=True)
        lock.close()


def _clear(base: Path) -> None:
    for left in base.iterdir():
        if not left.is_dir():
            continue
        if not (left / "lock").exists():
            shutil.rmtree(left, ignore_errors=True)
            continue
        with (left / "lock").open("r+") as lock:
            if _lock(lock.fileno()):
                shutil.rmtree(left, ignore_errors=True)


def _lock(handle: int, *, wait: bool = False) -> bool:
    """Take the lock; False when another process has it."""
    import fcntl

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except BlockingIOError:
        return False
    return True
