"""Which masters a plan's frames get, and what becomes of frames that none serves."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from coldframe.errors import UsageError
from coldframe.frame import Kind
from coldframe.lending import provide
from coldframe.matching import rules_for
from coldframe.nearest import Nearest
from coldframe.planned import Item, Plan, SetAsideFrame
from coldframe.recipe import StepSpec
from coldframe.report.record import MasterUse
from coldframe.serving import Candidate, with_library


class Masters:
    """Finds the masters of each frame; what is wanting goes into the plan.

    lit : names of the nights with lights: their masters are theirs before all others'.
    """

    def __init__(self, plan: Plan, lit: Collection[str | None]) -> None:
        self._plan, self._lit = plan, lit
        self._nearest: dict[str, Nearest] = {}
        self._unserved: dict[tuple[str, str], list[str]] = {}

    def of(self, step: StepSpec, item: Item) -> tuple[MasterUse, ...] | None:
        """The masters of one frame; None when the frame must be set aside for want of one.

        Raises UsageError when the recipe stops for a frame without.
        """
        uses: list[MasterUse] = []
        for served in self._finder(step).serve(item.info):
            kind, found = served.kind, served.found
            key = provide(served, self._plan)
            if key:
                uses.append(MasterUse(kind.value, key, found.distances, found.total, served.note))
                continue
            said = f"no {kind.value} serves it: {served.note}"
            what = rules_for(kind, step.match.get(kind.value, {}))["missing"]
            if what == "stop":
                raise UsageError(f"step '{step.id}': {item.label}: {said}")
            if what == "set-aside":
                self._plan.set_aside.append(SetAsideFrame(item.info, said, step.id))
                return None
            bias = any(use.kind == Kind.BIAS for use in uses)
            if not (kind is Kind.DARK_FLAT and bias):  # a bias does for short flats
                self._unserved.setdefault((step.id, said), []).append(item.label)
        return tuple(uses)

    def warnings(self) -> list[str]:
        """A line for each reason why frames go without a master."""
        lines = []
        for (step_id, said), labels in self._unserved.items():
            who = labels[0] if len(labels) == 1 else f"{len(labels)} frames ({labels[0]} ...)"
            lines.append(f"step '{step_id}': {who}: {said}")
        return lines

    def _finder(self, step: StepSpec) -> Nearest:
        if step.id not in self._nearest:
            found = self._plan.candidates[step.id] = self._candidates(step)
            self._nearest[step.id] = Nearest(found, step.match, self._plan.shelf)
        return self._nearest[step.id]

    def _candidates(self, step: StepSpec) -> Mapping[Kind, Sequence[Candidate]]:
        """Masters that may serve a step's frames, by kind."""
        own: dict[Kind, list[Candidate]] = {}
        for name in step.masters:
            made = [
                Candidate(
                    item.key,
                    item.info,
                    item.label,
                    item.sources,
                    night=(item.info.night or "") if item.info.night in self._lit else "",
                )
                for item in self._plan.flows[name]
            ]
            for kind in self._kinds(name):
                own.setdefault(kind, []).extend(made)
        return with_library(own, self._plan.shelf)

    def _kinds(self, name: str) -> set[Kind]:
        recipe = self._plan.recipe
        if name in recipe.inputs:
            return {recipe.inputs[name].kind}
        return {k for source in recipe.steps[name].sources for k in self._kinds(source)}
