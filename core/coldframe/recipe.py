"""YAML -> Recipe: checked, with every default filled in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from coldframe.frame import Kind
from coldframe.plugins import Registry
from coldframe.recipe_check import check_document
from coldframe.recipe_document import as_list, load_document
from coldframe.schema import with_defaults
from coldframe.vetting.thresholds import vet_limits


@dataclass(frozen=True, slots=True)
class InputSpec:
    """A named set of source frames."""

    name: str
    kind: Kind
    filter: str | None = None


@dataclass(frozen=True, slots=True)
class StepSpec:
    """One step of a recipe, parameters complete."""

    id: str
    use: str
    sources: tuple[str, ...]
    per: tuple[str, ...]
    within: Mapping[str, float]
    masters: tuple[str, ...]
    match: Mapping[str, Any]
    measures: tuple[str, ...]
    params: Mapping[str, Any]
    about: str = ""
    each_night: bool = False


@dataclass(frozen=True, slots=True)
class Recipe:
    """A checked recipe; `steps` are in an order in which each comes after its inputs."""

    name: str
    about: str
    suits: Mapping[str, Any]
    seed: int
    kinds: Mapping[str, Sequence[str]]
    inputs: Mapping[str, InputSpec]
    steps: Mapping[str, StepSpec]
    outputs: Mapping[str, Mapping[str, Mapping[str, Any]]]  # step id -> writer -> options
    file: str = ""
    inspect: Mapping[str, float] | None = None  # limits of the inspection; None turns it off
    document: Mapping[str, Any] = field(default_factory=dict)  # all of it, every default filled in


def load_recipe(path: Path, registry: Registry, overrides: Sequence[str] = ()) -> Recipe:
    """Read and check a recipe.

    Raises
    ------
    RecipeError
        With every fault found, each with file, line and column.
    """
    document = load_document(path, overrides)
    order = check_document(document, registry)
    data = document.data
    steps = {step_id: _step(step_id, data["steps"][step_id], registry) for step_id in order}
    limits = vet_limits(data.get("inspect", True))
    return Recipe(
        name=data["name"],
        about=data["about"],
        suits=data.get("for", {}),
        seed=data.get("seed", 0),
        kinds=data.get("kinds", {}),
        inputs={
            name: InputSpec(name, Kind(spec["kind"]), spec.get("filter"))
            for name, spec in data["inputs"].items()
        },
        steps=steps,
        outputs={
            step: {
                writer: with_defaults(registry.writers[writer].params, options)
                for writer, options in wanted.items()
                if options is not False
            }
            for step, wanted in data["outputs"].items()
        },
        file=str(path),
        inspect=limits,
        document={
            **{key: value for key, value in data.items() if key != "extends"},
            "steps": {
                step.id: {**data["steps"][step.id], "with": dict(step.params)}
                for step in steps.values()
            },
            "inspect": False if limits is None else dict(limits),
        },
    )


def _step(step_id: str, spec: Mapping[str, Any], registry: Registry) -> StepSpec:
    return StepSpec(
        id=step_id,
        use=spec["use"],
        sources=as_list(spec["from"]),
        per=tuple(spec.get("per", ())),
        within=spec.get("within", {}),
        masters=as_list(spec.get("masters", [])),
        match=spec.get("match", {}),
        measures=as_list(spec.get("measures", [])),
        params=with_defaults(registry.steps[spec["use"]].params, spec.get("with", {})),
        about=spec.get("about", ""),
        each_night=spec.get("each_night", False),
    )
