"""`coldframe steps`: what is installed, from whom, with which parameters."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import click

from coldframe.cli.complete import step_names
from coldframe.cli.show import json_option, print_json, print_table, tell
from coldframe.hooks import ProductWriter
from coldframe.plugins import Registry, find_plugins
from coldframe.step import FrameStep, StackStep, Step


@click.command("steps")
@click.argument("name", required=False, shell_complete=step_names)
@json_option
def command(name: str | None, as_json: bool) -> None:
    """Show every installed step, reader and writer, or all about one step or writer.

    \b
    coldframe steps
    coldframe steps integrate
    coldframe steps tiff
    """
    registry = find_plugins()
    if name is not None and name in registry.writers and name not in registry.steps:
        _show_writer(registry.writers[name], as_json)
        return
    if name is not None:
        step = registry.step(name)
        if as_json:
            print_json(describe(step, registry))
        else:
            _print_one(step, registry)
        return
    if as_json:
        print_json(
            {
                "steps": [describe(step, registry) for _, step in sorted(registry.steps.items())],
                "readers": _others("reader", [r.name for r in registry.readers], registry),
                "writers": _others("writer", list(registry.writers), registry),
                "broken": dict(registry.broken),
            }
        )
        return
    rows = []
    for step_name, step in sorted(registry.steps.items()):
        origin = registry.origins[f"step:{step_name}"]
        rows.append(
            [
                step_name,
                shape_of(step),
                step.version,
                f"{origin.package} {origin.version}",
                step.about,
            ]
        )
    print_table("Steps", ["name", "shape", "version", "from", "about"], rows)
    for what, names in (
        ("reader", [r.name for r in registry.readers]),
        ("writer", list(registry.writers)),
    ):
        rows = [
            [o["name"], o["version"], f"{o['package']} {o['package_version']}", o["about"]]
            for o in _others(what, names, registry)
        ]
        click.echo()
        print_table(f"{what.capitalize()}s", ["name", "version", "from", "about"], rows)
    for plugin, why in sorted(registry.broken.items()):
        tell(f"plugin '{plugin}' is left out: {why}")


def shape_of(step: type[Step]) -> str:
    """The step's shape in words."""
    if issubclass(step, StackStep):
        return "many frames to one"
    return "frame to frame" if issubclass(step, FrameStep) else "frame to numbers"


def describe(step: type[Step], registry: Registry) -> dict[str, Any]:
    """Everything about a step, JSON-ready."""
    origin = registry.origins[f"step:{step.name}"]
    return {
        "name": step.name,
        "about": step.about,
        "shape": shape_of(step),
        "version": step.version,
        "plugin": origin.plugin,
        "package": origin.package,
        "package_version": origin.version,
        "module": origin.module,
        "masters": list(step.master_kinds),
        "params": {name: dict(schema) for name, schema in step.params.items()},
        "columns": {name: {"unit": c.unit, "about": c.about} for name, c in step.columns.items()},
        "sources": list(step.sources),
    }


def _others(what: str, names: list[str], registry: Registry) -> list[dict[str, str]]:
    out = []
    for name in names:
        origin = registry.origins[f"{what}:{name}"]
        thing: Any = (
            registry.writers[name]
            if what == "writer"
            else next(r for r in registry.readers if r.name == name)
        )
        about = thing.about if what == "writer" else "reads " + " ".join(thing.suffixes)
        out.append(
            {
                "name": name,
                "version": thing.version,
                "package": origin.package,
                "package_version": origin.version,
                "about": about,
            }
        )
    return out


def _print_one(step: type[Step], registry: Registry) -> None:
    facts = describe(step, registry)
    click.echo(f"{step.name} {step.version}: {step.about}")
    click.echo(
        f"shape: {facts['shape']}; plugin '{facts['plugin']}' of "
        f"{facts['package']} {facts['package_version']} ({facts['module']})"
    )
    if facts["masters"]:
        click.echo(f"masters: {', '.join(facts['masters'])}")
    _print_params(step.params)
    if step.columns:
        click.echo()
        print_table(
            "Numbers it reports",
            ["name", "unit", "about"],
            [[name, c.unit, c.about] for name, c in step.columns.items()],
        )
    if step.sources:
        click.echo("\nSources")
        for source in step.sources:
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


def _show_writer(writer: ProductWriter, as_json: bool) -> None:
    if as_json:
        print_json(
            {
                "name": writer.name,
                "version": writer.version,
                "about": writer.about,
                "params": {name: dict(schema) for name, schema in writer.params.items()},
            }
        )
        return
    click.echo(f"{writer.name} {writer.version}: {writer.about}")
    _print_params(writer.params)


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
