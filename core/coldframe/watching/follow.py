"""Takes a night in frame by frame: each new light is calibrated, measured and shown once."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from coldframe.digests import DigestCache, cache_file
from coldframe.errors import SetAside, StepError, StoreError, UsageError
from coldframe.execute import pending, run_plan
from coldframe.frame import FrameInfo, Kind
from coldframe.hooks import StarGauge
from coldframe.manifest import unfinished, write_manifest
from coldframe.planned import Plan, frame_id
from coldframe.plugins import Registry
from coldframe.prepared import Prepared, Request
from coldframe.session import prepare
from coldframe.store import Store, product_key
from coldframe.vetting.gather import gather
from coldframe.vetting.measures import Sight
from coldframe.watching.arrivals import Arrivals
from coldframe.watching.picture import Picture, load
from coldframe.watching.pinned import Member, Pins, light_stacks
from coldframe.watching.state import Depth, Shown, Snapshot
from coldframe.watching.trends import Light, warnings

TOGETHER = 6  # lights made between two looks at the picture, when many are there at once
PATIENCE = 3  # times that the store or a source may fail in a row
GRACE = 30.0  # s in which a file that cannot be read yet may still be made whole
SAVE = 60.0  # s between two times that the pictures are kept on disk


class Follow:
    """A night as it grows. Call `look` again and again; read `snapshot` and `previews` from any
    thread.

    What it makes of single frames lies in the run's own store, under the run's own keys, so that
    the run at the end finds it there. Only the pictures are its own: see `Picture`.
    """

    def __init__(
        self,
        request: Request,
        registry: Registry,
        *,
        settle: float,
        refresh: float,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """settle : s a file must stay the same. refresh : least s between two previews."""
        # The proof is for the run at the end.
        self._request, self._registry = replace(request, compare_masters=0), registry
        self._refresh, self._clock = refresh, clock
        self._store = Store(request.store)
        self._store.check_writable()
        # Marks the folder, so that no scan takes what is in it for frames.
        write_manifest(request.output, unfinished("watching", request.recipe or ""))
        self._arrivals = Arrivals(request.nights, registry.readers, settle, request.workers)
        self._arrivals.changed = clock()
        self._gauge: StarGauge | None = registry.star_gauge()
        self._folder = request.store / "watch"
        self._pictures = self._earlier()
        # Lights of one picture go through one recipe, also after a stop.
        files = [p.recipe_file for p in self._pictures.values() if Path(p.recipe_file).is_file()]
        self._recipe = request.recipe or next(iter(files), None)
        self._kinds: set[Kind | None] = set()
        self._refused: dict[str, str] = {}  # lights that cannot be shown, by id: why
        self._later: dict[str, str] = {}  # those that perhaps can with the next one
        self._failures = 0
        self._depths: dict[str, Depth] = {}
        self._drawn = self._saved = clock()
        self._stale = set(self._pictures)
        self._unsaved: set[str] = set()
        self._pending = False
        self.tell: Callable[[Snapshot], None] = lambda night: None
        """Called with each new snapshot."""
        self.previews: dict[str, bytes] = {}
        self.snapshot = Snapshot(night=request.nights[0].resolve().name)

    # -- the loop -----------------------------------------------------------------------------

    def look(self) -> bool:
        """Look at the folder once and take in what is new; True when anything was."""
        new = self._arrivals.poll(self._clock())
        self._show(waiting=self._arrivals.waiting)
        if new or self._pending:
            self._take_in()
        self.draw()
        if self._clock() - self._saved > SAVE:
            self.save()
        return bool(new)

    def over(self, idle: float) -> bool:
        """Whether no file came, changed or went for so many s, and none is being written."""
        now = self._clock()
        quiet = now - self._arrivals.changed >= idle
        return quiet and not self._pending and self._arrivals.settled(now, GRACE)

    def save(self) -> None:
        """Keep the pictures on disk, so that the next start need not make them anew."""
        for label in self._unsaved:
            self._pictures[label].save(self._file(label))
        self._unsaved.clear()
        self._saved = self._clock()

    def phase(self, name: str) -> None:
        """Say that the night is being finished, or is done."""
        self._show(phase=name)

    # -- taking in ----------------------------------------------------------------------------

    def _take_in(self) -> None:
        self._pending = False
        try:
            prepared = prepare(self._asked(), self._registry)
        except UsageError as error:
            # Only darks so far, notes being edited: what cannot be used now may be soon.
            self._show(notes=(f"nothing to stack yet: {str(error).splitlines()[0]}",))
            return
        notes = [*self._other_recipe(prepared), *prepared.plan.warnings]
        try:
            self._grow(prepared)
            self._failures = 0
        except StepError as error:
            notes.append(f"lights are shown without masters: {str(error).splitlines()[0]}")
            self._grow(self._lights_alone(prepared))
        except StoreError:
            self._failures += 1
            if self._failures >= PATIENCE:
                raise
            self._pending = True  # a source that was being replaced, a share that was away
        self._show(
            recipe=prepared.recipe.name,
            notes=tuple(notes),
            aside=dict(prepared.scan.set_aside),
            **self._trends(prepared),
        )

    def _asked(self) -> Request:
        # Never more than what is known to be whole: a file may have come since the last look.
        return replace(self._request, only=self._arrivals.whole, recipe=self._recipe)

    def _lights_alone(self, prepared: Prepared) -> Prepared:
        lights = frozenset(Path(i.path) for i in prepared.scan.frames if i.kind is Kind.LIGHT)
        return prepare(
            replace(self._request, only=lights, recipe=prepared.recipe.file), self._registry
        )

    def _other_recipe(self, prepared: Prepared) -> Iterator[str]:
        """Lights of one picture go through one recipe; the run at the end may choose another."""
        self._recipe = prepared.recipe.file
        kinds = {info.kind for info in prepared.scan.frames}
        if self._request.recipe is None and self._kinds and kinds != self._kinds:
            free = prepare(replace(self._asked(), recipe=None), self._registry)
            if free.recipe.name != prepared.recipe.name:
                yield (
                    f"the picture goes on with the recipe {prepared.recipe.name}; the run at the "
                    f"end uses {free.recipe.name}: {free.why}"
                )
        self._kinds = kinds

    def _earlier(self) -> dict[str, Picture]:
        """The pictures that an earlier watch of this night kept."""
        found = [load(file) for file in sorted(self._folder.glob("*.fits"))]
        return {picture.label: picture for picture in found if picture is not None}

    def _grow(self, prepared: Prepared) -> None:
        for label, members in light_stacks(prepared.plan).items():
            picture = self._picture(label, prepared)
            for _ in range(2):  # the first that leads may come after some that wait for it
                known = {*picture.frames, *self._refused}
                new = [member for member in members if frame_id(member.info) not in known]
                for start in range(0, len(new), TOGETHER):
                    self._add(picture, new[start : start + TOGETHER], prepared.plan)
                    self._stale.add(label)
                    self._unsaved.add(label)
                    self._count(picture)
                    self.draw()

    def _picture(self, label: str, prepared: Prepared) -> Picture:
        recipe = product_key("recipe", prepared.recipe.document)
        picture = self._pictures.get(label)
        there = {frame_id(info) for info in prepared.scan.frames}
        # What was replaced or taken away since must not stay in the mean.
        if picture is None or picture.recipe != recipe or not there.issuperset(picture.frames):
            picture = Picture(label, recipe, prepared.recipe.file)
            self._pictures[label] = picture
        return picture

    def _add(self, picture: Picture, members: Sequence[Member], plan: Plan) -> None:
        for member in members:
            self._later.pop(frame_id(member.info), None)
        plan.targets = [key for member in members for key in member.needs]
        run_plan(
            plan,
            pending(plan),
            scheduler=self._request.scheduler,
            workers=self._request.workers,
        )
        pins = Pins(self._store, picture.anchors)
        for member in members:
            name = frame_id(member.info)
            try:
                frame = pins.frame(member, plan)
                picture.add(name, frame, calibrated=member.masters)
                if len(picture.frames) == 1:
                    picture.numbers(self._gauge)  # what the noise of all is held against
            except SetAside as error:
                self._refused[name] = str(error).removeprefix(f"{member.info.label}: ")
            except StepError as error:
                # No frame that can lead the others is there yet, such as the wanted reference.
                self._later[name] = str(error)

    # -- what is shown ------------------------------------------------------------------------

    def _trends(self, prepared: Prepared) -> dict[str, object]:
        lights = [info for info in prepared.scan.frames if info.kind is Kind.LIGHT]
        cache = DigestCache(
            self._request.cache or cache_file(self._request.nights, self._request.store)
        )
        seen = gather(lights, self._registry, cache, workers=self._request.workers)
        labels = dict(zip(prepared.scan.frames, prepared.scan.labels, strict=True))
        vetted = {frame_id(s.info): s.reason for s in prepared.plan.set_aside}
        flux = {name: f for picture in self._pictures.values() for name, f in picture.flux.items()}
        used = {name for picture in self._pictures.values() for name in picture.frames}
        first: dict[object, float] = {}  # flux of the first light of each setting
        shown = []
        for info, sight in zip(lights, seen, strict=True):
            name = frame_id(info)
            reason = vetted.get(name) or self._refused.get(name) or self._later.get(name, "")
            if isinstance(sight, str):
                reason = reason or sight
            light = _light(info, labels[info], sight)
            if name in flux and flux[name] > 0:
                ratio = flux[name] / first.setdefault(light.setting, flux[name])
                light = replace(light, flux=ratio)
            in_it = name in used and not reason
            shown.append(Shown(name, info, light, in_it, reason))
        good = [s.light for s in shown]
        return {"lights": tuple(shown), "warnings": tuple(warnings(good))}

    def draw(self, *, now_too: bool = False) -> None:
        """Make previews and numbers anew where the picture has grown; at most every `refresh` s
        unless now_too.
        """
        now = self._clock()
        early = bool(self.previews) and now - self._drawn < self._refresh
        if not self._stale or (early and not now_too):
            return
        for label in self._stale:
            picture = self._pictures[label]
            if picture.mean is None:
                continue
            self.previews = {**self.previews, label: picture.png()}
            numbers = {**picture.numbers(self._gauge), "drawn": len(picture.frames)}
            self._count(picture, **numbers)
        self._stale.clear()
        self._drawn = self._clock()

    def _count(self, picture: Picture, **numbers: Any) -> None:
        """Tell at once how many frames there are; numbers come with the next preview."""
        if picture.mean is None:
            return
        before = self._depths.get(picture.label, Depth(picture.label))
        self._depths[picture.label] = replace(
            before,
            frames=len(picture.frames),
            exposure=picture.exposure,
            uncalibrated=picture.uncalibrated,
            **numbers,
        )
        self._show(stacks=tuple(self._depths[label] for label in sorted(self._depths)))

    def _show(self, **changes: object) -> None:
        fresh = replace(self.snapshot, **changes)  # type: ignore[arg-type]
        if fresh != self.snapshot:
            self.snapshot = replace(fresh, version=self.snapshot.version + 1)
            self.tell(self.snapshot)

    def _file(self, label: str) -> Path:
        return self._folder / f"{product_key('picture', label)[:16]}.fits"


def _light(info: FrameInfo, label: str, sight: Sight | str) -> Light:
    setting = (info.filter, info.exposure, info.iso, info.gain_setting)
    if isinstance(sight, str):
        return Light(label, info.start, setting=setting)
    stars = sight.stars
    return Light(
        label,
        info.start,
        stars.get("stars"),
        stars.get("fwhm"),
        sight.level / info.exposure if info.exposure else None,
        setting=setting,
    )
