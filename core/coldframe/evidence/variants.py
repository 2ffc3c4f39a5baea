"""The same stack without one kind of master: further tasks for a plan that is otherwise complete.

The frames keep what was found out about them (stars, reference, transform): only what follows from
the pixels is done again, from the source frame to the stack, for a sample of the lights. The sample
with all its masters is the other half of each comparison.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from coldframe.planned import Plan
from coldframe.report.record import Variant
from coldframe.specs import BandTask, DecideTask, FrameTask, Look, Op, StackTask, StepCall
from coldframe.store import BAND, product_key

STEP = "compare masters"
"""Name of this work in progress displays and timings."""

ORDER = ("bias", "dark", "flat", "dark-flat")

Member = tuple[str, str, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Light:
    """A light that goes into a stack: its place there and its tasks from the source onwards."""

    member: Member
    chain: tuple[FrameTask, ...]

    @property
    def ops(self) -> tuple[Op, ...]:
        """Every step from the source to the stack."""
        return tuple(op for task in self.chain for op in task.ops)

    @property
    def kinds(self) -> frozenset[str]:
        """Kinds of master that served it."""
        return frozenset(kind for op in self.ops for kind in op.masters)


def light_of(plan: Plan, member: Member) -> Light | None:
    """The light behind a member of a stack; None when it is not made of one source frame."""
    chain: list[FrameTask] = []
    key = member[0]
    while key:
        spec = plan.tasks[key][0] if key in plan.tasks else None
        if not isinstance(spec, FrameTask):
            return None
        chain.insert(0, spec)
        key = spec.base
    return Light(member, tuple(chain))


def spread(lights: Sequence[Light], count: int) -> list[Light]:
    """So many of the lights of the last night, evenly spread over it.

    Of one night, so that adding a night to others does no work on those again.
    """
    ordered = sorted(
        lights, key=lambda one: (str(one.chain[0].source.start), one.chain[0].source.path)
    )
    last = ordered[-1].chain[0].source.night
    ordered = [one for one in ordered if one.chain[0].source.night == last]
    if len(ordered) <= count:
        return ordered
    places = [round(i * (len(ordered) - 1) / max(1, count - 1)) for i in range(count)]
    return [ordered[place] for place in places]


def add_variants(plan: Plan, stack: StackTask, sample: Sequence[Light]) -> tuple[Variant, ...]:
    """Add the tasks of the sample's stack with all masters, and without each kind in turn.

    Returns nothing when no master served the sample.
    """
    kinds = sorted(
        {kind for light in sample for kind in light.kinds},
        key=lambda kind: (ORDER.index(kind) if kind in ORDER else len(ORDER), kind),
    )
    if not kinds:
        return ()
    found = [Variant("", _stack(plan, stack, [light.member for light in sample], ()))]
    for kind in kinds:
        members, made = [], []
        for light in sample:
            member, keys = _without(plan, light, kind)
            members.append(member)
            made += keys
        found.append(Variant(kind, _stack(plan, stack, members, tuple(made))))
    return tuple(found)


def _without(plan: Plan, light: Light, kind: str) -> tuple[Member, list[str]]:
    """A light's tasks as one, without a kind of master; the keys that it makes."""
    if kind not in light.kinds:
        return light.member, []
    first, last = light.chain[0], light.chain[-1]
    frame_key, survey_key, measures = light.member
    ops = tuple(
        replace(
            op,
            key=product_key("without", kind, op.key),
            masters={k: master for k, master in op.masters.items() if k != kind},
        )
        for op in light.ops
    )
    survey = product_key("without", kind, survey_key) if survey_key else ""
    looks = tuple(
        Look(survey, look.call) for look in last.looks if survey and look.key == survey_key
    )
    key = product_key("without", kind, frame_key)
    needs = [op.came_from for op in ops if op.survey]
    needs += [k for op in ops for k in (*op.masters.values(), op.decision) if k]
    spec = FrameTask(first.store, key, STEP, "", first.source, first.reader, ops, looks, trial=())
    plan.tasks[key] = (spec, tuple(dict.fromkeys(needs)))
    return (key, survey, measures), [key, survey] if survey else [key]


def _stack(plan: Plan, like: StackTask, members: Sequence[Member], after: tuple[str, ...]) -> str:
    """Tasks for a stack of other members, made like an existing one; its key."""
    call, store = like.call, like.store
    decision = decision_key(call, members)
    key = product_key("stack", decision)
    if key in plan.tasks:  # the sample is the whole
        return key
    # Measurements are made with the frames they look at; those are in the plan for the stack.
    needs = [member[0] for member in members]
    if any(member[2] for member in members):
        needs.append(like.decision)
    decide = DecideTask(store, decision, STEP, call, tuple(members), like.label, trial=())
    plan.tasks[decision] = (decide, tuple(dict.fromkeys(needs)))
    parts = len(like.bands)
    bands = tuple(product_key("band", key, part, parts) + BAND for part in range(parts))
    for part, band in enumerate(bands):
        task = BandTask(store, band, STEP, call, decision, key, part, parts, trial=())
        plan.tasks[band] = (task, (decision,))
    # The decision goes with its frames: a stack that is made anew needs both.
    gone = (decision, *after) if after else ()
    stack = StackTask(store, key, STEP, call, decision, bands, like.label, trial=gone)
    plan.tasks[key] = (stack, (decision, *bands))
    return key


def decision_key(call: StepCall, members: Sequence[Member]) -> str:
    """As the plan itself names a decision: a sample of all lights is the stack itself."""
    return product_key("decide", call.use, call.version, call.params, call.seed, tuple(members))
