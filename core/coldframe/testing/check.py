"""Tries a step against every rule of the contract."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from coldframe.frame import Flag, Frame
from coldframe.step import Step
from coldframe.testing import declared_rules, repeat_rules, result_rules
from coldframe.testing.samples import sample_frames, sample_master
from coldframe.testing.trial import Trial

_DECLARED = (
    declared_rules.contract,
    declared_rules.schema,
    declared_rules.documented,
    declared_rules.pickles,
)
_BEHAVIOUR = (
    result_rules.output,
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
    frames : what it can work on; else `sample_frames()`: five mono lights of 96 x 128 px.
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
    frames = sample_frames() if frames is None else frames
    if masters is None:
        masters = {kind: sample_master(kind, frames[0]) for kind in step.master_kinds}
    trial = Trial(step, frames, masters, params or {}, Flag(clears), moves_pixels, any_order)
    # Pixels tell nothing while the declaration is wrong or the sample frames do not come through.
    for rules in (_DECLARED, (result_rules.works,), _BEHAVIOUR):
        broken = {
            rule.__name__: said
            for rule in rules
            if rule.__name__ not in leave_out and (said := _broken(rule, trial))
        }
        if broken:
            name = getattr(step, "name", step.__name__)
            lines = "".join(f"\n  {rule}: {said}" for rule, said in broken.items())
            raise AssertionError(f"step '{name}' breaks the contract:{lines}")


def _broken(rule: Callable[[Trial], None], trial: Trial) -> str:
    """How the trial breaks the rule, or nothing."""
    try:
        rule(trial)
    except AssertionError as error:
        return str(error)
    except Exception:
        return f"{rule.__doc__} It failed:\n{traceback.format_exc()}"
    return ""
