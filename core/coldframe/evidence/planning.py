"""Which stack a run is judged by, and the tasks for it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from coldframe.evidence.variants import STEP, Light, add_variants, light_of, spread
from coldframe.frame import FrameInfo, Kind
from coldframe.night import reader_for
from coldframe.planned import Item, Plan, frame_id
from coldframe.plugins import Registry
from coldframe.report.record import Proof
from coldframe.specs import DecideTask, FrameTask, ProbeTask, StackTask, StepCall
from coldframe.step import StackStep
from coldframe.store import product_key

MOST, LEAST, SHARE = 6, 3, 10
"""Lights in the sample unless told otherwise: a tenth of them, but no fewer and no more."""

VERSION = "3"  # raise when a probe would give other numbers

Roles = Mapping[str, tuple[str, ...]]
Sources = tuple[tuple[FrameInfo, str], ...]


def add_proof(
    plan: Plan, registry: Registry, frames: Iterable[FrameInfo], count: int | None = None
) -> Proof | None:
    """Add to a complete plan what the report proves its figures with.

    Parameters
    ----------
    frames : every source frame of the run. count : lights in the sample; 0 adds nothing, None
        chooses (`MOST`, `LEAST`, `SHARE`).

    Returns
    -------
    What will be there; None when the plan makes no stack of single lights. The stack of the most
    lights stands for all stacks of the run, so that the cost does not grow with their number.
    """
    chosen = _largest(plan, registry) if count != 0 else None
    if chosen is None:
        return None
    item, stack, lights = chosen
    sample = spread(lights, count or min(MOST, max(LEAST, len(lights) // SHARE)))
    variants = add_variants(plan, stack, sample)
    for variant in variants:
        plan.targets.append(variant.stack)
    final = _final(plan, item)
    whole = {"stack": (stack.key,), "decision": (stack.decision,)}
    moved = tuple(light.member[0] for light in sample)
    probes = {
        "depth": _probe(plan, "depth", whole, call=stack.call),
        "trails": _probe(plan, "trails", whole),
        "stars": _probe(plan, "stars", {"stack": (stack.key,), "frames": moved}),
    }
    shown = {"stack": stack.key, "final": final, **{f"-{v.kind}": v.stack for v in variants}}
    roles = {role: (key,) for role, key in shown.items() if key}
    probes["surface"] = _probe(plan, "surface", roles)
    fixed = _fixed(sample)
    if fixed is not None:
        probes["fixed"] = _probe(plan, "fixed", *fixed)
    calibrated = _calibrated(plan)
    for info in frames:
        if info.kind is Kind.LIGHT:
            name = frame_id(info)
            # As shot when it was set aside before it could be calibrated.
            roles = {"frame": (calibrated[name],)} if name in calibrated else {}
            source = (info, reader_for(info, registry.readers).name)
            probes[f"thumb {name}"] = _probe(plan, "thumb", roles, (source,))
    ids = tuple(frame_id(light.chain[0].source) for light in sample)
    return Proof(item.key, ids, variants, probes)


def _largest(plan: Plan, registry: Registry) -> tuple[Item, StackTask, list[Light]] | None:
    best: tuple[Item, StackTask, list[Light]] | None = None
    for step in plan.recipe.steps.values():
        if not issubclass(registry.step(step.use), StackStep):
            continue
        for item in plan.flows[step.id]:
            stack, lights = _stack_of(plan, item)
            if stack is not None and lights and (best is None or len(lights) > len(best[2])):
                best = item, stack, lights
    return best


def _stack_of(plan: Plan, item: Item) -> tuple[StackTask | None, list[Light]]:
    """The task behind a stack of lights, and the lights that each are one source frame."""
    spec = plan.tasks[item.base][0] if item.base in plan.tasks else None
    if item.info.kind is not Kind.LIGHT or spec is None:
        return None, []
    if isinstance(spec, FrameTask):  # it passes the stack on, to be looked at
        spec = plan.tasks[spec.base][0]
    if not isinstance(spec, StackTask):
        return None, []
    decision = plan.tasks[spec.decision][0]
    assert isinstance(decision, DecideTask)
    found = [light_of(plan, member) for member in decision.members]
    lights = [light for light in found if light is not None]
    return spec, lights if len(lights) == len(found) else []


def _final(plan: Plan, item: Item) -> str:
    """What the recipe's last step made of the stack; "" for nothing that is stored."""
    key = ""
    for items in plan.flows.values():
        for other in items:
            made = other.base in plan.tasks and other.sources == item.sources
            if made and other.base != item.base:
                key = other.base
    return key


def _fixed(sample: Sequence[Light]) -> tuple[Roles, Sources] | None:
    """Calibrated lights as they are before anything moves them, with their masters and sources."""
    clean, sources = [], []
    masters: dict[str, list[str]] = {}
    for light in sample:
        task = next((t for t in light.chain if any(op.masters for op in t.ops)), None)
        if task is None or not task.ops[-1].masters:
            continue
        clean.append(task.key)
        sources.append((light.chain[0].source, light.chain[0].reader))
        for kind, key in task.ops[-1].masters.items():
            masters.setdefault(kind, []).append(key)
    if not clean:
        return None
    # A position for each light, so that those of one flat can be told from those of another.
    roles = {"clean": tuple(clean), **{k: tuple(v) for k, v in masters.items()}}
    return {k: v for k, v in roles.items() if len(v) == len(clean)}, tuple(sources)


def _calibrated(plan: Plan) -> dict[str, str]:
    """The first stored product of each source frame that a step made, by the frame's id."""
    found: dict[str, str] = {}
    for items in plan.flows.values():
        for item in items:
            spec = plan.tasks[item.base][0] if item.base in plan.tasks else None
            if len(item.sources) == 1 and isinstance(spec, FrameTask) and spec.ops:
                found.setdefault(item.sources[0], item.base)
    return found


def _probe(
    plan: Plan, probe: str, roles: Roles, sources: Sources = (), call: StepCall | None = None
) -> str:
    ids = [frame_id(info) for info, _ in sources]
    key = product_key("probe", probe, VERSION, roles, ids)
    spec = ProbeTask(str(plan.store), key, STEP, probe, roles, sources, call)
    needs = dict.fromkeys(k for keys in roles.values() for k in keys if k in plan.tasks)
    plan.tasks[key] = (spec, tuple(needs))
    plan.targets.append(key)
    return key
