"""Recipe + frames -> Plan: every task by name, what it needs, and which masters serve whom.

Nothing here reads a pixel. Keys are made from content digests, step versions and parameters,
so they are known before anything runs: a product that the store already has is not made again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from coldframe.footprint import Footprint, bands
from coldframe.frame import FrameInfo, Kind
from coldframe.grouping import Group, common_facts, group
from coldframe.keys import key_of, quoted, text_of
from coldframe.mastering import Masters
from coldframe.outputs import plan_outputs
from coldframe.planned import Item, Plan, Resources, frame_id
from coldframe.plugins import Registry
from coldframe.recipe import InputSpec, Recipe, StepSpec
from coldframe.serving import Shelf
from coldframe.specs import (
    BandTask,
    DecideTask,
    FrameTask,
    Look,
    Op,
    StackTask,
    StepCall,
)
from coldframe.step import FrameStep, MeasureStep, StackStep, Step
from coldframe.store import BAND, product_key


def compile_plan(
    recipe: Recipe,
    frames: Sequence[tuple[FrameInfo, str]],
    registry: Registry,
    *,
    store: Path,
    output: Path,
    resources: Resources,
    shelf: Shelf | None = None,
    goals: Sequence[str] | None = None,
    nights: Sequence[str] = (),
    each_night: bool = True,
) -> Plan:
    """Lay out every task of a run.

    frames : facts of each frame and the name of the reader that reads it. shelf : further masters,
    from a calibration library. goals : step ids to make instead of the recipe's outputs.
    nights : their names in the order in which they were given; the first that has a target leads
    anchored steps. each_night : make the nights' own stacks where the recipe wants them.

    Raises
    ------
    UsageError
        The recipe finds no frame to work on, or a master is missing where it must not.
    """
    if goals is not None:
        recipe = replace(recipe, outputs={goal: {} for goal in goals})
    order = {night: place for place, night in enumerate(nights)}
    plan = Plan(recipe, store, shelf=shelf)
    compiler = _Compiler(recipe, registry, plan, output, resources, order, each_night)
    return compiler.compile(frames)


@dataclass(frozen=True, slots=True)
class _Use:
    """A step of the recipe with what all its tasks have in common.

    text : name, version and parameters, as keys contain them; seed : the recipe's, likewise.
    look : the call that looks at a frame for it, with the parameters that this goes by.
    """

    spec: StepSpec
    cls: type[Step]
    call: StepCall
    text: str
    seed: str
    look: StepCall

    @property
    def surveys(self) -> bool:
        return self.cls.has_survey()

    @property
    def looks(self) -> bool:
        """Whether frames are looked at for it while their pixels are at hand."""
        return issubclass(self.cls, MeasureStep) or self.surveys

    def look_key(self, item: Item) -> str:
        text = text_of(self.look.use, self.look.version, self.look.params)
        return key_of('"look"', text, quoted(item.key))


class _Compiler:
    def __init__(
        self,
        recipe: Recipe,
        registry: Registry,
        plan: Plan,
        output: Path,
        resources: Resources,
        nights: Mapping[str, int],
        each_night: bool,
    ) -> None:
        self.recipe, self.registry, self.plan = recipe, registry, plan
        self.output, self.resources = output, resources
        self.nights, self.each_night = nights, each_night
        self.store = str(plan.store)
        self.readers: dict[str, str] = {}
        # By measuring step and a frame's sources: the measurement, and the frame it is made of.
        self.measured: dict[str, dict[tuple[str, ...], tuple[str, str]]] = {}
        self.uses = {step.id: self._use(step) for step in recipe.steps.values()}
        self.consumers = {
            name: [use for use in self.uses.values() if name in use.spec.sources]
            for name in (*recipe.inputs, *recipe.steps)
        }

    def _use(self, step: StepSpec) -> _Use:
        cls = self.registry.step(step.use)
        call = StepCall(step.id, step.use, cls.version, step.params, self.recipe.seed)
        text = text_of(step.use, cls.version, step.params)
        look = call
        if cls.survey_params is not None and not issubclass(cls, MeasureStep):
            look = replace(call, params={name: step.params[name] for name in cls.survey_params})
        return _Use(step, cls, call, text, text_of(self.recipe.seed), look)

    def compile(self, frames: Sequence[tuple[FrameInfo, str]]) -> Plan:
        lit = {info.night for info, _ in frames if info.kind is Kind.LIGHT}
        masters = Masters(self.plan, self.registry, lit)
        for spec in self.recipe.inputs.values():
            self._input(spec, frames)
        for use in self.uses.values():
            items = [item for name in use.spec.sources for item in self.plan.flows[name]]
            if issubclass(use.cls, StackStep):
                self.plan.flows[use.spec.id] = self._stack(use, items)
            elif issubclass(use.cls, FrameStep):
                self.plan.flows[use.spec.id] = self._frame(use, items, masters)
            else:
                self.measured[use.spec.id] = {
                    item.sources: (use.look_key(item), item.key) for item in items
                }
                self.plan.flows[use.spec.id] = []
        plan_outputs(self.plan, self.registry, self.output)
        self.plan.warnings += masters.warnings()
        return self.plan

    def _input(self, spec: InputSpec, frames: Sequence[tuple[FrameInfo, str]]) -> None:
        items = []
        versions = {r.name: text_of(r.name, r.version) for r in self.registry.readers}
        for info, reader in frames:
            if info.kind is spec.kind and (spec.filter is None or info.filter == spec.filter):
                name = frame_id(info)
                key = key_of('"read"', versions[reader], quoted(name), text_of(_facts(info)))
                self.readers[name] = reader
                items.append(Item(key, info, (name,), info.label, source=info))
        if self._must_store(spec.name):
            items = [self._store(item, spec.name) for item in items]
        self.plan.flows[spec.name] = items

    # -- when frames are stored and when they only pass through memory ------------------------

    def _must_store(self, name: str) -> bool:
        """A frame is stored when a stack reads it by bands, when a step looks at all frames
        before it decides, when two steps want it, or when it is written for people."""
        consumers = self.consumers[name]
        return (
            len(consumers) != 1
            or name in self.recipe.outputs
            or any(not issubclass(use.cls, FrameStep) or use.surveys for use in consumers)
        )

    def _store(self, item: Item, step_id: str) -> Item:
        looks = tuple(
            Look(use.look_key(item), use.look) for use in self.consumers[step_id] if use.looks
        )
        spec = FrameTask(
            store=self.store,
            key=item.key,
            step_id=step_id,
            base=item.base,
            source=item.source,
            reader=self.readers.get(item.sources[0], "") if not item.base else "",
            ops=item.ops,
            looks=looks,
            durable=step_id in self.recipe.outputs,
        )
        needs = [item.base]
        for op in item.ops:
            needs += [*op.masters.values(), op.decision]
        self.plan.tasks[item.key] = (spec, tuple(dict.fromkeys(k for k in needs if k)))
        return replace(item, base=item.key, ops=())

    # -- steps ---------------------------------------------------------------------------------

    def _measures(self, use: _Use, item: Item) -> list[tuple[str, str]]:
        """(measurement, frame it is made of) of each measuring step that a step uses."""
        found = (self.measured[name].get(item.sources) for name in use.spec.measures)
        return [one for one in found if one is not None]

    def _decision(
        self,
        use: _Use,
        items: Sequence[Item],
        label: str,
        *,
        anchor: str = "",
        hint: str = "",
        spare: bool = False,
    ) -> str:
        measures = [self._measures(use, item) for item in items]
        members = tuple(
            (
                item.key,
                use.look_key(item) if use.surveys else "",
                tuple(measure for measure, _ in own),
            )
            for item, own in zip(items, measures, strict=True)
        )
        texts = ['"decide"', use.text, use.seed, text_of(members)]
        key = key_of(*texts, *([quoted(anchor)] if anchor else []))
        call, step_id = use.call, use.spec.id
        spec = DecideTask(self.store, key, step_id, call, members, label, anchor, hint, spare)
        # Measurements are made with the frames they look at: wait for those.
        needs = [item.key for item in items] + [frame for own in measures for _, frame in own]
        needs += [anchor] if anchor else []
        self.plan.tasks[key] = (spec, tuple(dict.fromkeys(needs)))
        self.plan.decisions.setdefault(step_id, []).append(key)
        return key

    def _frame(self, use: _Use, items: list[Item], masters: Masters) -> list[Item]:
        step = use.spec
        decisions: dict[int, str] = {}
        if use.surveys:
            per = step.per or ("target",)
            for g in group([i.info for i in items], per, step.within, sensor=False):
                decisions |= self._decide(use, items, g)
                self._note_group(step.id, g)
        out = []
        found = masters.of(step, items) if step.masters else [()] * len(items)
        for index, (item, uses) in enumerate(zip(items, found, strict=True)):
            if uses is None:
                continue
            served = {one.kind: one.product for one in uses}
            survey = use.look_key(item) if use.surveys else ""
            decision = decisions.get(index, "")
            key = key_of(
                '"frame"', use.text, use.seed, quoted(item.key), text_of(served),
                quoted(survey, decision),
            )  # fmt: skip
            op = Op(use.call, key, item.key, served, survey, decision)
            out.append(replace(item, key=key, ops=(*item.ops, op), masters=item.masters + uses))
        if self._must_store(step.id):
            out = [self._store(item, step.id) for item in out]
        return out

    def _decide(self, use: _Use, items: Sequence[Item], g: Group) -> dict[int, str]:
        """The decision that each of a group's frames goes by: one, or one a night by the first."""
        nights = (
            self._by_night(items, g.members)
            if getattr(use.cls, "anchored", False)
            else {"": list(g.members)}
        )
        if len(nights) == 1:
            key = self._decision(use, [items[m] for m in g.members], g.label)
            return dict.fromkeys(g.members, key)
        hint = (
            f"; all nights go by the first of this target, {next(iter(nights))}: name another "
            "night first, or leave this one out"
        )
        first, out = "", dict[int, str]()
        for night, members in nights.items():
            together = [items[m] for m in members]
            label = f"{g.label} · {night}"
            key = self._decision(use, together, label, anchor=first, hint="" if first else hint)
            out |= dict.fromkeys(members, key)
            first = first or key
        return out

    def _by_night(self, items: Sequence[Item], members: Sequence[int]) -> dict[str, list[int]]:
        """Members by night, the nights in the order in which they were given."""
        found: dict[str, list[int]] = {}
        for m in members:
            found.setdefault(items[m].info.night or "", []).append(m)
        last = len(self.nights)
        return dict(sorted(found.items(), key=lambda entry: self.nights.get(entry[0], last)))

    def _stack(self, use: _Use, items: list[Item]) -> list[Item]:
        step = use.spec
        items = [item for item in items if not item.alone]  # their frames are in the others too
        out = []
        lights = any(item.info.kind is Kind.LIGHT for item in items)
        for g in group([i.info for i in items], step.per, step.within, sensor=not lights):
            nights = self._by_night(items, g.members)
            several = step.each_night and len(nights) > 1
            label = f"{g.label} · {len(nights)} nights" if several else g.label
            out.append(self._stacked(use, items, replace(g, label=label)))
            for night, members in nights.items() if several and self.each_night else ():
                facts = common_facts([items[m].info for m in members], step.within)
                own = Group(tuple(members), f"{g.label} · {night}", facts)
                out.append(self._stacked(use, items, own, night))
        return out

    def _stacked(self, use: _Use, items: Sequence[Item], g: Group, night: str = "") -> Item:
        members = [items[m] for m in g.members]
        call, store, step = use.call, self.store, use.spec
        decision = self._decision(use, members, g.label, spare=bool(night))
        key = product_key("stack", decision)
        parts = self._parts(use, members)
        bands = []
        for part in range(parts):
            band = product_key("band", key, part, parts) + BAND
            spec = BandTask(store, band, step.id, call, decision, key, part, parts)
            self.plan.tasks[band] = (spec, (decision,))
            bands.append(band)
        stack = StackTask(store, key, step.id, call, decision, tuple(bands), g.label)
        self.plan.tasks[key] = (stack, (decision, *bands))
        sources = tuple(dict.fromkeys(s for m in members for s in m.sources))
        self._note_group(step.id, g)
        return self._looked_at(Item(key, g.info, sources, g.label, base=key, alone=night), step.id)

    def _looked_at(self, item: Item, step_id: str) -> Item:
        """A stack that a later step looks at gets a frame task of its own for the looks."""
        if any(use.looks for use in self.consumers[step_id]):
            return self._store(replace(item, key=product_key("pass", item.key)), step_id)
        return item

    def _note_group(self, step_id: str, g: Group) -> None:
        self.plan.groups.setdefault(step_id, []).append((g.label, len(g.members)))

    def _parts(self, use: _Use, members: Sequence[Item]) -> int:
        """How many bands, so that they fit in memory."""
        assert issubclass(use.cls, StackStep)
        size = Footprint(self.plan, self.registry).size(members[0].key)
        halo = use.cls().halo_rows(use.spec.params)
        return bands(use.cls, size, len(members), halo, self.resources)


def _facts(info: FrameInfo) -> dict[str, Any]:
    """Facts that may change a product; where the file lies does not."""
    facts = info.to_dict()
    for name in ("path", "kind_reason", "night", "digest"):
        facts.pop(name, None)
    return facts
