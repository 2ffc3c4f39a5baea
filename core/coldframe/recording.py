"""Gathers what a finished run knows about every frame and product."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from coldframe.decoded import decoded
from coldframe.errors import SetAside, StoreError
from coldframe.frame import Frame, FrameInfo
from coldframe.night import reader_for
from coldframe.planned import Item, frame_id
from coldframe.plugins import Registry
from coldframe.report.costs import costs
from coldframe.report.record import FrameRecord, ProductRecord, Proof, RunRecord
from coldframe.specs import FrameTask, OutputTask
from coldframe.step import Column, Numbers, StackStep
from coldframe.store import Ref, Store

if TYPE_CHECKING:
    from coldframe.prepared import Prepared

GENERAL = {
    "frames": Column("", "frames combined"),
    "exposure_total": Column("s", "exposure of all frames together"),
}


def make_record(
    prepared: Prepared,
    registry: Registry,
    made: Mapping[str, Ref],
    *,
    timings: Mapping[str, float],
    versions: Mapping[str, str],
    elapsed: float,
) -> RunRecord:
    """The record of a run that is done. Reads sidecars, and no pixels but of unflattened stacks."""
    record = _Recorder(prepared, registry, made).record(timings, versions, elapsed)
    return replace(record, costs=costs(record))


class _Recorder:
    def __init__(self, prepared: Prepared, registry: Registry, made: Mapping[str, Ref]) -> None:
        self.prepared, self.registry, self.made = prepared, registry, made
        self.plan, self.recipe = prepared.plan, prepared.recipe
        self.store = Store(prepared.plan.store)
        self.sources = {frame_id(info): info for info in prepared.scan.frames}
        self.refs: dict[str, Ref | None] = {}
        self.decided = self._decision_columns()
        self.files: dict[str, list[str]] = {}
        self.unwritten: list[str] = []
        self._look_at_outputs()

    def ref(self, key: str) -> Ref | None:
        if key not in self.refs:
            self.refs[key] = self.store.known(key)
        return self.refs[key]

    def record(
        self, timings: Mapping[str, float], versions: Mapping[str, str], elapsed: float
    ) -> RunRecord:
        frames = self._frames()
        alive = {frame.id for frame in frames if frame.used}
        masters, products, left_out = [], [], []
        serving = {name for step in self.recipe.steps.values() for name in step.masters}
        for step in self.recipe.steps.values():
            stack = issubclass(self.registry.step(step.use), StackStep)
            for item in self.plan.flows[step.id]:
                if step.id in serving:
                    masters.append(self._product(step.id, step.use, item, alive))
                elif stack or step.id in self.recipe.outputs:
                    ref = self.ref(item.key)
                    if ref is None or not ref.aside:
                        products.append(self._product(step.id, step.use, item, alive))
                    elif stack:
                        left_out.append(f"{item.label} has no stack of its own: {ref.aside}")
        masters += [self._borrowed(key) for key in self.plan.borrowed]
        columns = dict(GENERAL)
        for step in self.recipe.steps.values():
            for name, column in self.registry.step(step.use).columns.items():
                # The first step to report a number says what it means of a frame.
                columns.setdefault(name, column)
        return RunRecord(
            recipe=self.recipe.name,
            about=self.recipe.about,
            why_recipe=self.prepared.why,
            nights=tuple(str(night) for night in self.prepared.request.nights),
            frames=frames,
            masters=masters,
            products=products,
            columns=columns,
            warnings=(
                *self.prepared.scan.warnings,
                *self.plan.warnings,
                *left_out,
                *self.unwritten,
                *self._said(),
            ),
            timings=timings,
            versions=versions,
            steps=[
                {
                    "id": step.id,
                    "use": step.use,
                    "about": step.about,
                    "from": list(step.sources),
                    "masters": list(step.masters),
                    "params": dict(step.params),
                }
                for step in self.recipe.steps.values()
            ],
            elapsed=elapsed,
            read=self._read,
            proof=self._proof(),
            numbers=self._numbers,
        )

    def _proof(self) -> Proof | None:
        proof = self.prepared.proof
        if proof is None:
            return None
        variants = []
        for variant in proof.variants:
            ref = self.ref(variant.stack)
            reason = ref.aside if ref else "it is gone"
            count = int(ref.measures.get("frames", 0)) if ref else 0
            variants.append(replace(variant, frames=count, reason=reason))
        probes = {name: key for name, key in proof.probes.items() if self.ref(key) is not None}
        return replace(proof, variants=tuple(variants), probes=probes)

    def _numbers(self, key: str) -> Numbers | None:
        ref = self.ref(key)
        try:
            return None if ref is None or ref.aside else self.store.numbers(key)
        except StoreError:
            return None

    def _said(self) -> list[str]:
        """What the steps warned of, each thing once, with the number of products it was about."""
        refs = (ref for ref in self.refs.values() if ref is not None)
        counted = Counter(text for ref in refs for text in dict.fromkeys(ref.said))
        return [text if n == 1 else f"{text} ({n} times)" for text, n in counted.items()]

    def _read(self, key: str) -> Frame | None:
        """A product by its store key, or a source frame by its id."""
        try:
            if key in self.sources:
                info = self.sources[key]
                return decoded.read(reader_for(info, self.registry.readers), info)
            return self.store.frame(key)
        except (StoreError, SetAside):
            return None

    def _look_at_outputs(self) -> None:
        """Names of the files of each product, written now or before, and why one was not."""
        for key, (spec, _) in self.plan.tasks.items():
            if not isinstance(spec, OutputTask):
                continue
            ref, product = self.made.get(key) or self.ref(key), self.ref(spec.product)
            if ref is not None and not ref.aside:
                self.files.setdefault(spec.product, []).append(ref.params)
            elif ref is not None and product is not None and not product.aside:
                self.unwritten.append(f"{spec.stem}: {ref.aside}")

    def _decision_columns(self) -> dict[str, dict[str, float]]:
        """Numbers that group decisions gave to frames, by frame key.

        Those of the stack of all nights, decided first, outrank those of a night's own.
        """
        out: dict[str, dict[str, float]] = {}
        for keys in self.plan.decisions.values():
            for key in reversed(keys):
                ref = self.ref(key)
                for name, column in (ref.columns if ref else {}).items():
                    for row, value in zip(ref.rows if ref else (), column, strict=True):
                        out.setdefault(row, {})[name] = value
        return out

    def _frames(self) -> list[FrameRecord]:
        by_source: dict[str, list[tuple[str, Item]]] = {}
        for name in (*self.recipe.inputs, *self.recipe.steps):
            for item in self.plan.flows[name]:
                if len(item.sources) == 1:
                    by_source.setdefault(item.sources[0], []).append((name, item))
        planned = {frame_id(s.info): s for s in self.plan.set_aside}
        records = []
        for info in self.prepared.scan.frames:
            name = frame_id(info)
            if name in planned:
                aside = planned[name]
                records.append(FrameRecord(name, info, {}, False, aside.reason, aside.step))
            elif name in by_source:
                records.append(self._frame(name, by_source[name]))
            else:
                kind = info.kind.value if info.kind else "unknown"
                reason = f"the recipe '{self.recipe.name}' has no use for {kind} frames"
                records.append(FrameRecord(name, info, {}, False, reason, "recipe"))
        # Files that the scan could not take as frames are accounted for like any other.
        records += [
            FrameRecord(label, FrameInfo(path=label), {}, False, reason, "scan")
            for label, reason in self.prepared.scan.set_aside
        ]
        return records

    def _frame(self, name: str, flow: list[tuple[str, Item]]) -> FrameRecord:
        measures: dict[str, float] = {}
        products: dict[str, str] = {}
        reason = step = ""
        for step_id, item in flow:
            ref = self.ref(item.key)
            task = self.plan.tasks.get(item.key)
            if ref is not None:
                measures |= ref.measures
                if ref.aside and not reason:
                    reason, step = ref.aside, ref.aside_step
                elif not ref.aside:
                    products[step_id] = item.key
            if task is not None and isinstance(task[0], FrameTask):
                for look in task[0].looks:
                    seen = self.ref(look.key)
                    if seen is not None:
                        measures |= seen.measures
                        if seen.aside and not reason:
                            reason, step = seen.aside, seen.aside_step
            measures |= self.decided.get(item.key, {})
        last = flow[-1][1]
        info = flow[0][1].info
        return FrameRecord(name, info, measures, not reason, reason, step, last.masters, products)

    def _borrowed(self, key: str) -> ProductRecord:
        """A master of the library, or one blended of two, that some frame uses."""
        master, ref = self.plan.borrowed[key], self.ref(key)
        return ProductRecord(
            id=key,
            step="library",
            uses="library",
            label=master.name,
            info=ref.info if ref else master.info,
            measures=ref.measures if ref else {},
            frames=master.sources,
            planes=ref.planes if ref else (),
        )

    def _product(self, step_id: str, use: str, item: Item, alive: set[str]) -> ProductRecord:
        ref = self.ref(item.key)
        return ProductRecord(
            id=item.key,
            step=step_id,
            uses=use,
            label=item.label,
            info=ref.info if ref else item.info,
            measures=ref.measures if ref else {},
            frames=tuple(source for source in item.sources if source in alive),
            files=tuple(sorted(self.files.get(item.key, ()))),
            planes=ref.planes if ref else (),
        )
