"""Recipe + frames -> Plan: every task by name, what it needs, and which masters serve whom.

Nothing here reads a pixel. Keys are made from content digests, step versions and parameters,
so they are known before anything runs: a product that the store already has is not made again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from coldframe.errors import UsageError
from coldframe.frame import FrameInfo, Kind
from coldframe.grouping import common_facts
from coldframe.lending import provide
from coldframe.matching import Group, group, rules_for
from coldframe.planned import Item, Plan, Resources, SetAsideFrame, frame_id
from coldframe.plugins import Registry
from coldframe.recipe import InputSpec, Recipe, StepSpec
from coldframe.report.record import MasterUse
from coldframe.serving import Candidate, Shelf, serve, with_library
from coldframe.specs import (
    BandTask,
    DecideTask,
    FrameTask,
    Look,
    Op,
    OutputTask,
    StackTask,
    StepCall,
)
from coldframe.step import FrameStep, MeasureStep, StackStep, Step
from coldframe.store import product_key


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
        self.readers: dict[str, str] = {}
        self.unserved: dict[tuple[str, str], list[str]] = {}
        self.lit: set[str | None] = set()  # nights with lights
        self.measured: dict[str, dict[tuple[str, ...], str]] = {}  # measure step -> sources -> key

    def compile(self, frames: Sequence[tuple[FrameInfo, str]]) -> Plan:
        self.lit = {info.night for info, _ in frames if info.kind is Kind.LIGHT}
        for spec in self.recipe.inputs.values():
            self._input(spec, frames)
        for step in self.recipe.steps.values():
            cls = self.registry.step(step.use)
            items = [item for name in step.sources for item in self.plan.flows[name]]
            if issubclass(cls, StackStep):
                self.plan.flows[step.id] = self._stack(step, cls, items)
            elif issubclass(cls, FrameStep):
                self.plan.flows[step.id] = self._frame(step, cls, items)
            else:
                self._measure(step, items)
                self.plan.flows[step.id] = []
        self._outputs()
        for (step_id, said), labels in self.unserved.items():
            who = labels[0] if len(labels) == 1 else f"{len(labels)} frames ({labels[0]} ...)"
            self.plan.warnings.append(f"step '{step_id}': {who}: {said}")
        return self.plan

    def _input(self, spec: InputSpec, frames: Sequence[tuple[FrameInfo, str]]) -> None:
        items = []
        for info, reader in frames:
            if info.kind is spec.kind and (spec.filter is None or info.filter == spec.filter):
                versions = {r.name: r.version for r in self.registry.readers}
                key = product_key("read", reader, versions[reader], frame_id(info), _facts(info))
                name = frame_id(info)
                self.readers[name] = reader
                items.append(Item(key, info, (name,), info.label, source=info))
        self.plan.flows[spec.name] = items
        if self._must_store(spec.name):
            self.plan.flows[spec.name] = [self._store(item, spec.name) for item in items]

    # -- when frames are stored and when they only pass through memory ------------------------

    def _consumers(self, name: str) -> list[StepSpec]:
        return [s for s in self.recipe.steps.values() if name in s.sources]

    def _must_store(self, name: str) -> bool:
        """A frame is stored when a stack reads it by bands, when a step looks at all frames
        before it decides, when two steps want it, or when it is written for people."""
        consumers = self._consumers(name)
        classes = [self.registry.step(s.use) for s in consumers]
        return (
            len(consumers) != 1
            or name in self.recipe.outputs
            or any(not issubclass(c, FrameStep) or c.has_survey() for c in classes)
        )

    def _store(self, item: Item, step_id: str) -> Item:
        looks = []
        for step in self._consumers(step_id):
            cls = self.registry.step(step.use)
            if issubclass(cls, MeasureStep) or cls.has_survey():
                looks.append(Look(_look_key(item, step, cls), self._call(step, cls)))
        spec = FrameTask(
            store=str(self.plan.store),
            key=item.key,
            step_id=step_id,
            base=item.base,
            source=item.source,
            reader=self.readers.get(item.sources[0], "") if not item.base else "",
            ops=item.ops,
            looks=tuple(looks),
            durable=step_id in self.recipe.outputs,
        )
        needs = [item.base] if item.base else []
        for op in item.ops:
            needs += [*op.masters.values(), op.decision]
        self.plan.tasks[item.key] = (spec, tuple(dict.fromkeys(k for k in needs if k)))
        return replace(item, base=item.key, ops=())

    def _call(self, step: StepSpec, cls: type[Step]) -> StepCall:
        return StepCall(step.id, step.use, cls.version, step.params, self.recipe.seed)

    # -- steps ---------------------------------------------------------------------------------

    def _measure(self, step: StepSpec, items: list[Item]) -> None:
        cls = self.registry.step(step.use)
        self.measured[step.id] = {item.sources: _look_key(item, step, cls) for item in items}

    def _members(
        self, step: StepSpec, cls: type[Step], items: Sequence[Item]
    ) -> tuple[tuple[str, str, tuple[str, ...]], ...]:
        return tuple(
            (
                item.key,
                _look_key(item, step, cls) if cls.has_survey() else "",
                tuple(
                    self.measured[name][item.sources]
                    for name in step.measures
                    if item.sources in self.measured[name]
                ),
            )
            for item in items
        )

    def _measure_needs(self, step: StepSpec, items: Sequence[Item]) -> list[str]:
        """Measurements are made with the frames they look at: wait for those."""
        wanted = {item.sources for item in items}
        return [
            frame.key
            for name in step.measures
            for source in self.recipe.steps[name].sources
            for frame in self.plan.flows[source]
            if frame.sources in wanted
        ]

    def _decision(
        self,
        step: StepSpec,
        cls: type[Step],
        items: Sequence[Item],
        label: str,
        *,
        anchor: str = "",
        hint: str = "",
        spare: bool = False,
    ) -> str:
        members = self._members(step, cls, items)
        parts = (step.use, cls.version, step.params, self.recipe.seed, members)
        key = product_key("decide", *parts, *([anchor] if anchor else []))
        call = self._call(step, cls)
        spec = DecideTask(
            str(self.plan.store), key, step.id, call, members, label, anchor, hint, spare
        )
        needs = [item.key for item in items] + self._measure_needs(step, items)
        needs += [anchor] if anchor else []
        self.plan.tasks[key] = (spec, tuple(dict.fromkeys(needs)))
        self.plan.decisions.setdefault(step.id, []).append(key)
        return key

    def _frame(self, step: StepSpec, cls: type[Step], items: list[Item]) -> list[Item]:
        decisions: dict[int, str] = {}
        if cls.has_survey():
            per = step.per or ("target",)
            for g in group([i.info for i in items], per, step.within, sensor=False):
                decisions |= self._decide(step, cls, items, g)
                self._note_group(step.id, g)
        out = []
        for index, item in enumerate(items):
            uses = self._match(step, item)
            if uses is None:
                continue
            masters = {use.kind: use.product for use in uses}
            survey = _look_key(item, step, cls) if cls.has_survey() else ""
            decision = decisions.get(index, "")
            key = product_key(
                "frame",
                step.use,
                cls.version,
                step.params,
                self.recipe.seed,
                item.key,
                masters,
                survey,
                decision,
            )
            op = Op(self._call(step, cls), key, item.key, masters, survey, decision)
            out.append(replace(item, key=key, ops=(*item.ops, op), masters=item.masters + uses))
        if self._must_store(step.id):
            out = [self._store(item, step.id) for item in out]
        return out

    def _decide(
        self, step: StepSpec, cls: type[FrameStep], items: Sequence[Item], g: Group
    ) -> dict[int, str]:
        """The decision that each of a group's frames goes by: one, or one a night by the first."""
        nights = self._by_night(items, g.members) if cls.anchored else {"": list(g.members)}
        if len(nights) == 1:
            key = self._decision(step, cls, [items[m] for m in g.members], g.label)
            return dict.fromkeys(g.members, key)
        hint = (
            f"; all nights go by the first of this target, {next(iter(nights))}: name another "
            "night first, or leave this one out"
        )
        first, out = "", {}
        for night, members in nights.items():
            mates = [items[m] for m in members]
            label = f"{g.label} · {night}"
            key = self._decision(step, cls, mates, label, anchor=first, hint="" if first else hint)
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

    def _stack(self, step: StepSpec, cls: type[StackStep], items: list[Item]) -> list[Item]:
        items = [item for item in items if not item.alone]  # their frames are in the others too
        out = []
        lights = any(item.info.kind is Kind.LIGHT for item in items)
        for g in group([i.info for i in items], step.per, step.within, sensor=not lights):
            nights = self._by_night(items, g.members)
            several = step.each_night and len(nights) > 1
            label = f"{g.label} · {len(nights)} nights" if several else g.label
            out.append(self._stacked(step, cls, items, replace(g, label=label)))
            for night, members in nights.items() if several and self.each_night else ():
                facts = common_facts([items[m].info for m in members], step.within)
                own = Group(tuple(members), f"{g.label} · {night}", facts)
                out.append(self._stacked(step, cls, items, own, night))
        return out

    def _stacked(
        self,
        step: StepSpec,
        cls: type[StackStep],
        items: Sequence[Item],
        g: Group,
        night: str = "",
    ) -> Item:
        members = [items[m] for m in g.members]
        call, store = self._call(step, cls), str(self.plan.store)
        decision = self._decision(step, cls, members, g.label, spare=bool(night))
        key = product_key("stack", decision)
        parts = self._parts(len(members), g.info)
        bands = []
        for part in range(parts):
            band = product_key("band", key, part, parts)
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
        wants = [self.registry.step(s.use) for s in self._consumers(step_id)]
        if any(issubclass(c, MeasureStep) or c.has_survey() for c in wants):
            return self._store(replace(item, key=product_key("pass", item.key)), step_id)
        return item

    def _note_group(self, step_id: str, g: Group) -> None:
        self.plan.groups.setdefault(step_id, []).append((g.label, len(g.members)))

    def _parts(self, count: int, info: FrameInfo) -> int:
        """How many bands: each worker's tile and the reducer's working copy must fit."""
        height, width = info.shape or (4000, 6000)
        per_row = count * width * 5 * 2 + width * 40
        budget = self.resources.memory / max(1, self.resources.workers) / 2
        rows = max(1, int(budget / per_row))
        least = -(-height // rows)
        # A few bands a worker keep all busy to the end.
        return min(height, max(least, 2 * self.resources.workers))

    # -- masters -------------------------------------------------------------------------------

    def _match(self, step: StepSpec, item: Item) -> tuple[MasterUse, ...] | None:
        """The masters of one frame; None when the frame must be set aside for want of one."""
        uses: list[MasterUse] = []
        for served in serve(item.info, self._candidates(step), step.match, self.plan.shelf):
            kind, found = served.kind, served.found
            key = provide(served, self.plan)
            if key:
                uses.append(MasterUse(kind.value, key, found.distances, found.total, served.note))
                continue
            said = f"no {kind.value} serves it: {served.note}"
            what = rules_for(kind, step.match.get(kind.value, {}))["missing"]
            if what == "stop":
                raise UsageError(f"step '{step.id}': {item.label}: {said}")
            if what == "set-aside":
                self.plan.set_aside.append(SetAsideFrame(item.info, said, step.id))
                return None
            bias = any(use.kind == Kind.BIAS for use in uses)
            if not (kind is Kind.DARK_FLAT and bias):  # a bias does for short flats
                self.unserved.setdefault((step.id, said), []).append(item.label)
        return tuple(uses)

    def _candidates(self, step: StepSpec) -> Mapping[Kind, Sequence[Candidate]]:
        """Masters that may serve a step's frames, by kind."""
        if step.id not in self.plan.candidates:
            own: dict[Kind, list[Candidate]] = {}
            for name in step.masters:
                for kind in self._kinds(name):
                    own.setdefault(kind, []).extend(
                        Candidate(
                            item.key,
                            item.info,
                            item.label,
                            item.sources,
                            night=(item.info.night or "") if item.info.night in self.lit else "",
                        )
                        for item in self.plan.flows[name]
                    )
            self.plan.candidates[step.id] = with_library(own, self.plan.shelf)
        return self.plan.candidates[step.id]

    def _kinds(self, name: str) -> set[Kind]:
        if name in self.recipe.inputs:
            return {self.recipe.inputs[name].kind}
        return {k for source in self.recipe.steps[name].sources for k in self._kinds(source)}

    def _outputs(self) -> None:
        for step_id, writers in self.recipe.outputs.items():
            stems: dict[str, int] = {}
            for item in self.plan.flows[step_id]:
                stem = _stem(item, step_id)
                stems[stem] = stems.get(stem, 0) + 1
                if stems[stem] > 1:
                    stem += f"-{stems[stem]}"
                self.plan.targets.append(item.key)
                for writer, options in writers.items():
                    version = self.registry.writers[writer].version
                    place = str(self.output), stem
                    key = product_key("output", item.key, writer, version, options, *place)
                    chosen = options if isinstance(options, Mapping) else {}
                    spec = OutputTask(
                        str(self.plan.store),
                        key,
                        step_id,
                        item.key,
                        writer,
                        chosen,
                        str(self.output),
                        stem,
                    )
                    self.plan.tasks[key] = (spec, (item.key,))
                    self.plan.targets.append(key)
        if not self.plan.targets:
            kinds = ", ".join(sorted({i.kind.value for i in self.recipe.inputs.values()}))
            raise UsageError(
                f"the recipe '{self.recipe.name}' has nothing to do: no frame of a kind it "
                f"works on ({kinds}) reaches its outputs ({', '.join(self.recipe.outputs)})"
                + "".join(
                    f"\n  {aside.info.label}: {aside.reason}" for aside in self.plan.set_aside
                )
            )


def _look_key(item: Item, step: StepSpec, cls: type[Step]) -> str:
    return product_key("look", step.use, cls.version, step.params, item.key)


def _facts(info: FrameInfo) -> dict[str, Any]:
    """Facts that may change a product; where the file lies does not."""
    facts = info.to_dict()
    for name in ("path", "kind_reason", "night", "digest"):
        facts.pop(name, None)
    return facts


def _stem(item: Item, step_id: str) -> str:
    """A file name from what people call the thing."""
    info = item.info
    night = item.alone if info.target else ""
    words = [info.target or info.night or "stack", info.filter or "", night, step_id]
    text = "-".join(word for word in words if word)
    return "".join(c if c.isalnum() or c in "-_." else "-" for c in text).strip("-.") or "stack"
