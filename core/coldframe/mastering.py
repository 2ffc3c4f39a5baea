"""Which masters a plan's frames get, and what becomes of frames that none serves."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from coldframe.errors import UsageError
from coldframe.frame import FrameInfo, Kind
from coldframe.lending import provide
from coldframe.lines import FaultLines
from coldframe.matching import rules_for
from coldframe.nearest import Nearest
from coldframe.planned import Item, Plan, SetAsideFrame
from coldframe.plugins import Registry
from coldframe.recipe import StepSpec
from coldframe.report.record import MasterUse
from coldframe.serving import Candidate, Served, with_library

Comparable = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class _Found:
    """What serves one frame: uses and facts of its masters, and the kinds that it goes without."""

    uses: tuple[MasterUse, ...]
    infos: Mapping[str, FrameInfo]
    lacks: tuple[Served, ...]
    fitted: float | None  # °C that its dark is off, when the scale is to be fitted


class Masters:
    """Finds the masters of each step's frames; what is wanting goes into the plan.

    lit : names of the nights with lights: their masters are theirs before all others'.
    """

    def __init__(self, plan: Plan, registry: Registry, lit: Collection[str | None]) -> None:
        self._plan, self._registry, self._lit = plan, registry, lit
        self._lines = FaultLines()

    def of(self, step: StepSpec, items: Sequence[Item]) -> list[tuple[MasterUse, ...] | None]:
        """The masters of each frame; None where it must be set aside for want of one.

        Where comparable lights (same camera, target and filter) have a kind of master, those
        without are not averaged with them unless the recipe says so.

        Raises UsageError when the recipe stops for a frame without.
        """
        own = self._plan.candidates[step.id] = self._candidates(step)
        finder = Nearest(own, step.match, self._plan.shelf)
        found = [self._serve(finder, item) for item in items]
        served: dict[tuple[Comparable, Kind], int] = {}
        for item, one in zip(items, found, strict=True):
            for use in one.uses:
                place = (_comparable(item.info), Kind(use.kind))
                served[place] = served.get(place, 0) + 1
        return [
            one.uses if self._go_on(step, item, one, served) else None
            for item, one in zip(items, found, strict=True)
        ]

    def warnings(self) -> list[str]:
        """A line for each reason why frames go without a master, or have a makeshift."""
        return self._lines.lines()

    def _serve(self, finder: Nearest, item: Item) -> _Found:
        uses: list[MasterUse] = []
        infos: dict[str, FrameInfo] = {}
        lacks: list[Served] = []
        fitted = None
        for served in finder.serve(item.info):
            kind, found = served.kind, served.found
            key = provide(served, self._plan)
            if not key:
                lacks.append(served)
                continue
            uses.append(MasterUse(kind.value, key, found.distances, found.total, served.note))
            infos[kind.value] = _info(served)
            if found.fitted:
                fitted = found.distances["temperature"]
        return _Found(tuple(uses), infos, tuple(lacks), fitted)

    def _go_on(
        self,
        step: StepSpec,
        item: Item,
        found: _Found,
        served: Mapping[tuple[Comparable, Kind], int],
    ) -> bool:
        """Whether a frame is used although it may lack masters; what it lacks is noted."""
        for lack in found.lacks:
            said = f"no {lack.kind.value} serves it: {lack.note}"
            what = rules_for(lack.kind, step.match.get(lack.kind.value, {}))["missing"]
            if what == "stop":
                raise UsageError(f"step '{step.id}': {item.label}: {said}")
            others = served.get((_comparable(item.info), lack.kind), 0)
            needed = item.info.kind is Kind.LIGHT and _needed(lack.kind, found)
            if what == "as-others" and others and needed:
                said += (
                    f"; {others} comparable lights have one, and it is not averaged with them. "
                    f"Shoot one that fits (coldframe shotlist), or use it all the same: "
                    f"--with {step.id}.match.{lack.kind.value}.missing=warn"
                )
            elif what != "set-aside":
                continue
            fault = f"{step.id} {lack.kind.value} {_cause(lack)}"
            self._plan.set_aside.append(SetAsideFrame(item.info, said, step.id, fault))
            return False
        self._note(step, item, found)
        return True

    def _note(self, step: StepSpec, item: Item, found: _Found) -> None:
        start = f"step '{step.id}': "
        for lack in found.lacks:
            if lack.kind is Kind.DARK_FLAT and "bias" in found.infos:
                continue  # a bias does for short flats
            words = f"no {lack.kind.value} serves {{them}}: {lack.note}"
            off = sum(lack.found.distances.values())
            key = f"{step.id} {lack.kind.value} {_cause(lack)}"
            self._lines.add(key, item.label, start, words, off)
        if found.fitted is not None:
            words = (
                f"the nearest dark is {found.fitted:.1f} °C off, so its scale is fitted to hot pixels; "
                "nearer darks leave less of them (coldframe shotlist)"
            )
            self._lines.add(f"{step.id} fitted", item.label, start, words, found.fitted)
        for use in found.uses:
            if "stands in" in use.note:
                words = use.note
                self._lines.add(f"{step.id} {use.product}", item.label, start, words, use.total)
        foreseen = self._registry.step(step.use)().foresee(item.info, found.infos, step.params)
        if foreseen:
            self._lines.add(f"{step.id} {foreseen}", item.label, start, foreseen, 0.0)

    def _candidates(self, step: StepSpec) -> Mapping[Kind, Sequence[Candidate]]:
        """Masters that may serve a step's frames, by kind."""
        own: dict[Kind, list[Candidate]] = {}
        for name in step.masters:
            for kind in self._kinds(name):
                own.setdefault(kind, []).extend(self._made(name))
        if Kind.BIAS in own:
            own[Kind.BIAS] += self._stand_ins()
        return with_library(own, self._plan.shelf)

    def _made(self, name: str) -> list[Candidate]:
        return [
            Candidate(
                item.key,
                item.info,
                item.label,
                item.sources,
                night=(item.info.night or "") if item.info.night in self._lit else "",
            )
            for item in self._plan.flows[name]
        ]

    def _stand_ins(self) -> list[Candidate]:
        """Darks and dark flats that are made already: they hold the offset, too."""
        masters = dict.fromkeys(m for s in self._plan.recipe.steps.values() for m in s.masters)
        return [
            replace(one, stands_in=True)
            for name in masters
            if name in self._plan.flows
            for one in self._made(name)
            if one.info.kind in (Kind.DARK, Kind.DARK_FLAT)
        ]

    def _kinds(self, name: str) -> set[Kind]:
        recipe = self._plan.recipe
        if name in recipe.inputs:
            return {recipe.inputs[name].kind}
        return {k for source in recipe.steps[name].sources for k in self._kinds(source)}


def _comparable(info: FrameInfo) -> Comparable:
    """Lights that agree in this may be averaged with each other."""
    return info.camera, info.target, info.filter


def _needed(kind: Kind, found: _Found) -> bool:
    """Whether a light without this kind of master differs from one with it: a dark has its bias
    in it."""
    return not (kind is Kind.BIAS and "dark" in found.infos)


def _cause(lack: Served) -> str:
    """Frames that lack a kind of master for the same cause are told in one line."""
    if not lack.ranked:
        return "none"
    first = lack.ranked[0]
    return " ".join(first.beyond) or first.words


def _info(served: Served) -> FrameInfo:
    if served.chosen is not None:
        return served.chosen.info
    assert served.blend is not None
    return served.candidates[served.blend.cold].info
