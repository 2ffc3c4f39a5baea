"""Checks a recipe before any pixel is read: the schema first, then what the steps make of it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from coldframe.errors import Problem, RecipeError
from coldframe.plugins import Registry, or_not_installed
from coldframe.recipe_document import Document, as_list, input_kinds
from coldframe.recipe_flow import flow_problems
from coldframe.renamed import nearest
from coldframe.schema import recipe_schema
from coldframe.schema_words import limited, wanted
from coldframe.step import MeasureStep, StackStep


def check_document(document: Document, registry: Registry) -> list[str]:
    """The step ids in an order that respects their inputs.

    Raises RecipeError with every fault: schema faults, or (when the schema holds) unknown
    inputs, wrong types and cycles, or (when these are sound) steps that do not fit what comes in
    and parameters that their steps refuse.
    """
    problems = list(_schema_problems(document, registry))
    if problems:
        raise RecipeError(sorted(set(problems), key=lambda p: (p.file, p.line, p.column)))
    problems = list(_meaning_problems(document, registry))
    order, cycle = _order(document.data["steps"])
    if cycle:
        text = " -> ".join([*cycle, cycle[0]])
        problems.append(document.problem(("steps", cycle[0], "from"), f"a cycle: {text}"))
    if not problems:
        problems = list(flow_problems(document, order, registry))
    if problems:
        raise RecipeError(sorted(problems, key=lambda p: (p.file, p.line, p.column)))
    return order


def _schema_problems(document: Document, registry: Registry) -> Iterator[Problem]:
    import jsonschema

    validator = jsonschema.Draft202012Validator(recipe_schema(registry))
    for error in validator.iter_errors(document.data):
        yield from _explain(document, error, registry)


def _explain(document: Document, error: Any, registry: Registry) -> Iterator[Problem]:
    path = tuple(error.absolute_path)
    kind, instance, schema = error.validator, error.instance, error.schema
    where = ".".join(str(part) for part in path)
    unit = str(schema.get("unit", ""))
    if kind == "additionalProperties" and isinstance(schema.get("properties"), dict):
        for extra in sorted(set(instance) - set(schema["properties"])):
            hint = nearest(extra, schema["properties"], "known keys", _words(document, path))
            if path[:1] == ("outputs",) and len(path) == 2:
                hint = or_not_installed(hint)
            message = f"unknown key '{extra}'{hint}"
            yield document.problem((*path, extra), message, at_key=True)
    elif kind == "required":
        for name in sorted(set(schema["required"]) - set(instance)):
            message = f"'{where or 'the recipe'}' needs the key '{name}'"
            yield document.problem(path, message, at_key=True)
    elif kind == "enum" or (error.parent is not None and error.parent.validator == "propertyNames"):
        words = [str(word) for word in schema.get("enum", ())]
        tail = nearest(str(instance), words, place=_words(document, path))
        broken = ""
        if path[-1:] == ("use",):
            tail = or_not_installed(tail)
        if path[-1:] == ("use",) and registry.broken:
            broken = (
                " (plugins that failed to load: "
                + "; ".join(f"{name}: {why}" for name, why in sorted(registry.broken.items()))
                + ")"
            )
        yield document.problem(path, f"'{instance}' is not known here{tail}{broken}")
    elif kind == "propertyNames":
        for nested in error.context or ():
            yield from _explain(document, nested, registry)
    elif kind == "anyOf":
        # The branch that got furthest says what was meant.
        contexts = sorted(error.context, key=lambda e: -len(e.absolute_path))
        deepest = [e for e in contexts if len(e.absolute_path) > len(path)]
        extras = [e for e in contexts if e.validator == "additionalProperties"]
        chosen = deepest or extras
        if chosen:
            yield from _explain(document, chosen[0], registry)
        else:
            types = " or ".join(sorted({wanted(e, unit) for e in contexts}))
            yield document.problem(path, f"'{where}' is {instance!r}, but must be {types}")
    elif kind == "type":
        yield document.problem(
            path, f"'{where}' is {instance!r}, but must be {wanted(error, unit)}"
        )
    elif limited(error, unit) is not None:
        yield document.problem(
            path, f"'{where}' is {instance!r}, but must be {limited(error, unit)}"
        )
    elif kind == "const":
        yield document.problem(path, f"'{where}' is {instance!r}, but must be {schema['const']!r}")
    else:
        yield document.problem(path, f"'{where}': {error.message}")


def _words(document: Document, path: tuple[str | int, ...]) -> str:
    """The place in the table of renamed words that a key or value at `path` belongs to."""
    match path:
        case ("steps", step_id, "with", *value):
            name = document.data["steps"][step_id].get("use")
            return f"step {name}" + "".join(f".{part}" for part in value[:1])
        case ("outputs", _, writer, *value):
            return f"writer {writer}" + "".join(f".{part}" for part in value[:1])
        case ("inspect", *_):
            return "inspect"
    return "recipe"


def _meaning_problems(document: Document, registry: Registry) -> Iterator[Problem]:
    data = document.data
    inputs, steps = data["inputs"], data["steps"]
    for name in sorted(set(inputs) & set(steps)):
        yield document.problem(
            ("steps", name), f"'{name}' is both an input and a step", at_key=True
        )
    names = [*inputs, *steps]
    for step_id, spec in steps.items():
        base = ("steps", step_id)
        for source in as_list(spec["from"]):
            if source not in names:
                message = f"nothing is called '{source}'" + nearest(source, names, place="input")
                yield document.problem((*base, "from"), message)
            elif source in steps and _is(registry, steps[source], MeasureStep):
                yield document.problem(
                    (*base, "from"),
                    f"'{source}' gives a table of numbers, but '{step_id}' "
                    f"({spec['use']}) needs frames; name it under 'measures:' instead",
                )
        yield from _reference_problems(document, registry, base, spec)
    for step_id in data["outputs"]:
        path = ("outputs", step_id)
        if step_id not in steps:
            message = f"no step is called '{step_id}'" + nearest(step_id, steps, "steps", "input")
            yield document.problem(path, message, at_key=True)
        elif _is(registry, steps[step_id], MeasureStep):
            yield document.problem(
                path, f"'{step_id}' gives a table of numbers, not a frame to write", at_key=True
            )


def _reference_problems(
    document: Document, registry: Registry, base: tuple[str, str], spec: dict[str, Any]
) -> Iterator[Problem]:
    steps, inputs = document.data["steps"], document.data["inputs"]
    takes = registry.steps[spec["use"]].master_kinds
    for name in as_list(spec.get("masters", [])):
        path = (*base, "masters")
        if name not in steps:
            yield document.problem(
                path, f"no step is called '{name}'" + nearest(name, steps, "steps", "input")
            )
        elif not _is(registry, steps[name], StackStep):
            yield document.problem(
                path,
                f"'{name}' ({steps[name]['use']}) does not make a master: it must combine frames",
            )
        elif not takes:
            yield document.problem(path, f"the step '{spec['use']}' takes no masters", at_key=True)
        else:
            for kind in sorted(input_kinds(name, steps, inputs) - set(takes)):
                yield document.problem(
                    path,
                    f"'{name}' is made of {kind} frames; '{spec['use']}' takes {', '.join(takes)}",
                )
    for name in as_list(spec.get("measures", [])):
        path = (*base, "measures")
        if name not in steps:
            yield document.problem(
                path, f"no step is called '{name}'" + nearest(name, steps, "steps", "input")
            )
        elif not _is(registry, steps[name], MeasureStep):
            yield document.problem(path, f"'{name}' ({steps[name]['use']}) is not a measuring step")


def _is(registry: Registry, spec: dict[str, Any], shape: type) -> bool:
    return issubclass(registry.steps[spec["use"]], shape)


def _order(steps: dict[str, Any]) -> tuple[list[str], list[str]]:
    """Topological order (stable), and the first cycle found."""
    order: list[str] = []
    state: dict[str, int] = {}
    cycle: list[str] = []

    def visit(name: str, trail: list[str]) -> None:
        if name not in steps or state.get(name) == 2 or cycle:
            return
        if state.get(name) == 1:
            cycle.extend(trail[trail.index(name) :])
            return
        state[name] = 1
        spec = steps[name]
        for field in ("from", "masters", "measures"):
            for source in as_list(spec.get(field, [])):
                visit(source, [*trail, name])
        state[name] = 2
        order.append(name)

    for name in steps:
        visit(name, [])
    return order, cycle
