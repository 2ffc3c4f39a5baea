"""Whether the steps of a recipe fit together: what flows from each to the next.

Steps say what they take and give (`coldframe.step.Flow`), so that a plugin's steps take part.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from coldframe.errors import Problem
from coldframe.plugins import Registry
from coldframe.recipe_document import Document, as_list, input_kinds
from coldframe.schema import with_defaults
from coldframe.step import Flow, FrameStep, StackStep, Step

Path = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Frames:
    """What is known of the frames that an input or a step gives; step ids, "" for none.

    pixels : the kinds they may have. calibrated : kind of master -> the step that it served.
    columns : names of the numbers that they may bring along.
    """

    pixels: frozenset[str]
    registered: str = ""
    coloured: str = ""
    stacked: str = ""
    calibrated: Mapping[str, str] = field(default_factory=dict)
    columns: frozenset[str] = frozenset()


def flow_problems(
    document: Document, order: Sequence[str], registry: Registry
) -> Iterator[Problem]:
    """Faults of steps that do not fit what comes in, and of parameters that do not fit the step.

    order : the steps, each after its inputs; all that the recipe names must be known.
    """
    data = document.data
    flowing = {name: Frames(_sensor_pixels(data)) for name in data["inputs"]}
    for step_id in order:
        spec = data["steps"][step_id]
        step = registry.steps[spec["use"]]
        for source in as_list(spec["from"]):
            message = _misfit(step_id, spec["use"], step.flow, source, flowing[source], registry)
            if message:
                yield document.problem(("steps", step_id, "from"), message)
        given = _joined([flowing[source] for source in as_list(spec["from"])])
        served = _served(step_id, spec, step, document)
        yield from _master_problems(document, step_id, spec, step, given, served, flowing)
        measured = [
            registry.steps[data["steps"][m]["use"]] for m in as_list(spec.get("measures", []))
        ]
        columns = given.columns.union(*(measure.columns for measure in measured))
        yield from _param_problems(document, step_id, spec, step, columns)
        flowing[step_id] = _after(step_id, step, replace(given, columns=columns), served)


def _sensor_pixels(data: Mapping[str, Any]) -> frozenset[str]:
    """Kinds of pixels that source frames may have, as far as the recipe tells whom it is for."""
    mosaic = data.get("for", {}).get("cfa")
    if mosaic is None:
        return frozenset(("mosaic", "mono", "colour"))
    return frozenset(("mosaic",) if mosaic else ("mono", "colour"))


def _joined(parts: Sequence[Frames]) -> Frames:
    return Frames(
        pixels=frozenset().union(*(part.pixels for part in parts)),
        registered=parts[0].registered if all(part.registered for part in parts) else "",
        coloured=next((part.coloured for part in parts if part.coloured), ""),
        stacked=next((part.stacked for part in parts if part.stacked), ""),
        calibrated={kind: by for part in parts for kind, by in part.calibrated.items()},
        columns=frozenset().union(*(part.columns for part in parts)),
    )


def _after(step_id: str, step: type[Step], given: Frames, served: Mapping[str, str]) -> Frames:
    """What a step makes of the frames that it is given."""
    pixels = (given.pixels & set(step.flow.pixels)) or given.pixels
    coloured = given.coloured
    if issubclass(step, FrameStep) and step.makes_colour and "mosaic" in pixels:
        pixels, coloured = pixels - {"mosaic"} | {"colour"}, coloured or step_id
    return Frames(
        pixels,
        registered=step_id if step.flow.registers else given.registered,
        coloured=coloured,
        stacked=step_id if issubclass(step, StackStep) else given.stacked,
        calibrated={**given.calibrated, **(dict.fromkeys(served, step_id))},
        columns=given.columns | set(step.columns),
    )


def _misfit(
    step_id: str, use: str, flow: Flow, source: str, given: Frames, registry: Registry
) -> str:
    """How the frames of a source do not suit a step, and what to do; nothing when they do."""
    me = f"'{step_id}' ({use})"
    if flow.registered and not given.registered:
        makers = _names(registry, lambda step: step.flow.registers)
        plain = _names(
            registry, lambda step: issubclass(step, StackStep) and step.flow.registered is None
        )
        return (
            f"the frames of '{source}' are not registered, but {me} needs them on one pixel grid; "
            f"put a step that registers between ({makers}), or use one that takes frames as they "
            f"lie ({plain})"
        )
    if flow.registered is False and given.registered:
        return (
            f"the frames of '{source}' are registered by '{given.registered}', but {me} needs the "
            f"sensor's own pixels; put '{step_id}' before '{given.registered}'"
        )
    if flow.stacked and not given.stacked:
        makers = _names(registry, lambda step: issubclass(step, StackStep))
        return (
            f"'{source}' gives single frames, but {me} works on a stack; put a step that stacks "
            f"between ({makers})"
        )
    if flow.stacked is False and given.stacked:
        return (
            f"'{source}' gives a stack, made by '{given.stacked}', but {me} works on single "
            f"frames; put '{step_id}' before '{given.stacked}'"
        )
    if not given.pixels & set(flow.pixels):
        wanted = " or ".join(flow.pixels)
        said = (
            f"'{source}' gives {' or '.join(sorted(given.pixels))} frames, but {me} takes {wanted}"
        )
        if given.coloured:
            return f"{said}; put '{step_id}' before '{given.coloured}', which makes colour"
        if given.pixels == {"mosaic"} and "colour" in flow.pixels:
            makers = _names(
                registry, lambda step: issubclass(step, FrameStep) and step.makes_colour
            )
            return f"{said}; put a step that makes colour between ({makers})"
        return f"{said}; leave it out, or change 'for: cfa' if the recipe is for other cameras"
    return ""


def _names(registry: Registry, suits: Any) -> str:
    return ", ".join(name for name, step in sorted(registry.steps.items()) if suits(step))


def _served(
    step_id: str, spec: Mapping[str, Any], step: type[Step], document: Document
) -> dict[str, str]:
    """Kinds of masters that a step calibrates with -> the recipe's step that makes them."""
    if not step.flow.calibrates:
        return {}
    data = document.data
    return {
        kind: master
        for master in as_list(spec.get("masters", []))
        for kind in sorted(input_kinds(master, data["steps"], data["inputs"]))
    }


def _master_problems(
    document: Document,
    step_id: str,
    spec: Mapping[str, Any],
    step: type[Step],
    given: Frames,
    served: Mapping[str, str],
    flowing: Mapping[str, Frames],
) -> Iterator[Problem]:
    path: Path = ("steps", step_id, "masters")
    for kind, master in served.items():
        if kind in given.calibrated:
            yield document.problem(
                path,
                f"a {kind} is taken off these frames twice: by '{given.calibrated[kind]}' and with "
                f"'{master}' here; leave '{master}' out of one of the two",
            )
    for master in as_list(spec.get("masters", [])):
        moved = flowing[master].registered or flowing[master].coloured
        if moved:
            yield document.problem(
                path,
                f"'{master}' is made of frames that '{moved}' moved off the sensor's pixels; a "
                f"master keeps them: make it without '{moved}'",
            )


def _param_problems(
    document: Document,
    step_id: str,
    spec: Mapping[str, Any],
    step: type[Step],
    columns: frozenset[str],
) -> Iterator[Problem]:
    params = with_defaults(step.params, spec.get("with", {}))
    try:
        faults = step().check_params(params, columns)
    except Exception as error:  # a stranger's hook may fail in any way
        faults = {"": f"checking its parameters failed: {type(error).__name__}: {error}"}
    for name, message in faults.items():
        where = f"'{step_id}' ({spec['use']})" if not name else f"'steps.{step_id}.with.{name}'"
        yield document.problem(("steps", step_id, "with", name), f"{where}: {message}")
