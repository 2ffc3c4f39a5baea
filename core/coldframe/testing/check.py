"""Tries a step against every rule of the contract."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from coldframe.frame import Flag, Frame
from coldframe.step import Step
from coldframe.testing import declared_rules, repeat_rules, result_rules
from coldframe.testing.samples import PIXELS, sample_frames, sample_master
from coldframe.testing.trial import Trial

_DECLARED = (
    declared_rules.contract,
    declared_rules.schema,
    declared_rules.documented,
    declared_rules.pickles,
)
_BEHAVIOUR = (
    result_rules.output,
    result_rules.facts,
    result_rules.columns,
    result_rules.flags,
    result_rules.unusable,
    repeat_rules.pure,
    repeat_rules.repeatable,
    repeat_rules.processes,
    repeat_rules.threads,
    repeat_rules.tiles,
    repeat_rules.order,
    result_rules.bad_input,
)

RULES: Mapping[str, str] = {
    rule.__name__: str(rule.__doc__) for rule in (*_DECLARED, result_rules.works, *_BEHAVIOUR)
}
"""Every rule by name, with what it says."""


def check_step(
    step: type[Step],
    *,
    frames: Sequence[Frame] | None = None,
    masters: Mapping[str, Frame] | None = None,
    params: Mapping[str, Any] | None = None,
    clears: Flag | int = 0,
    moves_pixels: bool = False,
    any_order: bool = False,
    leave_out: Sequence[str] = (),
) -> None:
    """Raise AssertionError, with every rule that the step breaks and how.

    Parameters
    ----------
    frames : what it can work on; else `sample_frames()` of each kind of pixels that its `flow`
        names: five lights of 96 x 128 px, as mosaics, mono and in colour.
    masters : by kind; else `sample_master` for each of the step's `master_kinds`.
    params : what differs from the defaults. Call again for other settings that matter.
    clears : flags that the step is meant to clear. moves_pixels : the step resamples, so flags
        cannot be compared pixel by pixel. any_order : claims that the order of frames is nothing.
    leave_out : names of rules not to try (see RULES); say why beside the call.
    """
    __tracebackhide__ = True  # pytest then shows the author's own call
    unknown = set(leave_out) - set(RULES)
    if unknown:
        raise ValueError(f"no rule is called {', '.join(sorted(unknown))}; see RULES")

    def trial(frames: Sequence[Frame]) -> Trial:
        given = masters
        if given is None:
            given = {kind: sample_master(kind, frames[0]) for kind in step.master_kinds}
        return Trial(step, frames, given, params or {}, Flag(clears), moves_pixels, any_order)

    def broken(rules: Iterable[Callable[[Trial], None]], trial: Trial) -> dict[str, str]:
        wanted = [rule for rule in rules if rule.__name__ not in leave_out]
        return {rule.__name__: said for rule in wanted if (said := fault(rule, trial))}

    # Pixels tell nothing while the declaration is wrong or the sample frames do not come through.
    faults = broken(_DECLARED, trial(sample_frames() if frames is None else frames))
    if not faults:
        kinds = {"": frames} if frames is not None else _samples(step)
        for kind, given in kinds.items():
            tried = trial(given)
            found = broken((result_rules.works,), tried) or broken(_BEHAVIOUR, tried)
            faults |= {f"{rule}{kind}": said for rule, said in found.items()}
    tell(f"step '{getattr(step, 'name', step.__name__)}'", faults)


def _samples(step: type[Step]) -> Mapping[str, Sequence[Frame]]:
    """Frames of each kind of pixels that a step takes, by what to add to a rule's name."""
    kinds = step.flow.pixels
    return {f" ({kind})" if len(kinds) > 1 else "": sample_frames(**PIXELS[kind]) for kind in kinds}


def tell(who: str, faults: Mapping[str, str]) -> None:
    """Raise AssertionError with all faults, by rule, if there are any."""
    if faults:
        lines = "".join(f"\n  {rule}: {said}" for rule, said in faults.items())
        raise AssertionError(f"{who} breaks the contract:{lines}")


def fault(rule: Callable[[Any], None], trial: Any) -> str:
    """How a trial breaks a rule, or nothing."""
    try:
        rule(trial)
    except AssertionError as error:
        return str(error)
    except Exception:
        return f"{rule.__doc__} It failed:\n{traceback.format_exc()}"
    return ""
