"""`coldframe steps`: what is installed, from whom, with which parameters."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import click

from coldframe.cli.complete import step_names
from coldframe.cli.show import json_option, print_json, print_table, tell
from coldframe.errors import UsageError
from coldframe.plugins import Registry, find_plugins, or_not_installed
from coldframe.step import FrameStep, StackStep, Step


@click.command("steps")
@click.argument("name", required=False, shell_complete=step_names)
@json_option
def command(name: str | None, as_json: bool) -> None:
    """Show every installed step, reader and writer, or all about those of one name.

    \b
    coldframe steps
    coldframe steps integrate
    coldframe steps tiff
    """
    registry = find_plugins()
    found = listing(registry)
    if name is not None:
        found = {
            what: [facts for facts in of_a_kind if facts["name"] == name]
            for what, of_a_kind in found.items()
        }
        if not any(found.values()):
            everything = {*registry.steps, *registry.writers, *(r.name for r in registry.readers)}
            raise UsageError(
                f"no step, reader or writer is called '{name}'"
                + or_not_installed(registry.hint(name, dict.fromkeys(everything)))
            )
    if as_json:
        print_json({**found, **({"broken": dict(registry.broken)} if name is None else {})})
    elif name is None:
        _print_listing(found, registry)
    else:
        everyone = [(what, facts) for what, of_a_kind in found.items() for facts in of_a_kind]
        for place, (what, facts) in enumerate(everyone):
            click.echo("\n" if place else "", nl=False)
            _print_one(what.removesuffix("s"), facts)


def listing(registry: Registry) -> dict[str, list[dict[str, Any]]]:
    """Everything about each step, reader and writer, JSON-ready."""
    return {
        "steps": [
            {**_origin("step", step, registry), **_step(step)}
            for _, step in sorted(registry.steps.items())
        ],
        "readers": [
            {**_origin("reader", reader, registry), "suffixes": list(reader.suffixes)}
            for reader in registry.readers
        ],
        "writers": [
            {**_origin("writer", writer, registry), "params": _params(writer.params)}
            for writer in registry.writers.values()
        ],
    }


def shape_of(step: type[Step]) -> str:
    """The step's shape in words."""
    if issubclass(step, StackStep):
        return "many frames to one"
    return "frame to frame" if issubclass(step, FrameStep) else "frame to numbers"


def _step(step: type[Step]) -> dict[str, Any]:
    return {
        "shape": shape_of(step),
        "masters": list(step.master_kinds),
        "params": _params(step.params),
        "columns": {name: {"unit": c.unit, "about": c.about} for name, c in step.columns.items()},
        "sources": list(step.sources),
    }


def _origin(what: str, thing: Any, registry: Registry) -> dict[str, Any]:
    origin = registry.origins[f"{what}:{thing.name}"]
    return {
        "name": thing.name,
        "about": getattr(thing, "about", ""),  # what a plugin's reader may leave out
        "version": thing.version,
        "plugin": origin.plugin,
        "package": origin.package,
        "package_version": origin.version,
        "module": origin.module,
    }


def _params(params: Mapping[str, Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    return {name: dict(schema) for name, schema in params.items()}


def _print_listing(found: Mapping[str, list[dict[str, Any]]], registry: Registry) -> None:
    for place, (what, extra) in enumerate(
        (("steps", "shape"), ("readers", "suffixes"), ("writers", ""))
    ):
        heads = ["name", *filter(None, [extra]), "version", "from", "about"]
        rows = []
        for facts in found[what]:
            told = {**facts, "from": f"{facts['package']} {facts['package_version']}"}
            told["suffixes"] = " ".join(facts.get("suffixes", ()))
            rows.append([told[head] for head in heads])
        click.echo("\n" if place else "", nl=False)
        print_table(what.capitalize(), heads, rows)
    for plugin, why in sorted(registry.broken.items()):
        tell(f"plugin '{plugin}' is left out: {why}")


def _print_one(what: str, facts: Mapping[str, Any]) -> None:
    about = f": {facts['about']}" if facts["about"] else ""
    click.echo(f"{what} {facts['name']} {facts['version']}{about}")
    shape = f"shape: {facts['shape']}; " if "shape" in facts else ""
    click.echo(
        f"{shape}plugin '{facts['plugin']}' of {facts['package']} {facts['package_version']} "
        f"({facts['module']})"
    )
    if facts.get("masters"):
        click.echo(f"masters: {', '.join(facts['masters'])}")
    if "suffixes" in facts:
        click.echo(f"files it reads, by their ending: {' '.join(facts['suffixes'])}")
    _print_params(facts.get("params", {}))
    if facts.get("columns"):
        click.echo()
        print_table(
            "Numbers it reports",
            ["name", "unit", "about"],
            [[name, c["unit"], c["about"]] for name, c in facts["columns"].items()],
        )
    if facts.get("sources"):
        click.echo("\nSources")
        for source in facts["sources"]:
            click.echo(f"  {source}")


def _print_params(params: Mapping[str, Mapping[str, Any]]) -> None:
    rows = []
    for name, schema in params.items():
        default = schema["default"]
        word = str(default).lower() if isinstance(default, bool) else str(default)
        rows.append(
            [name, value_words(schema), schema.get("unit", ""), word, schema["description"]]
        )
    if rows:
        click.echo()
        print_table("Parameters", ["name", "values", "unit", "default", "about"], rows)


def value_words(schema: Any) -> str:
    """The allowed values of a parameter in words."""
    if "enum" in schema:
        return ", ".join(str(v) for v in schema["enum"])
    if "anyOf" in schema or "oneOf" in schema:
        return " or ".join(value_words(s) for s in schema.get("anyOf", schema.get("oneOf")))
    if "const" in schema:
        return str(schema["const"])
    kind = schema.get("type", "any")
    words = " or ".join(kind) if isinstance(kind, list) else str(kind)
    if "minimum" in schema or "maximum" in schema:
        words += f" {schema.get('minimum', '')}..{schema.get('maximum', '')}"
    return words
