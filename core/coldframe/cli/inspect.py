"""`coldframe inspect`: look at every frame of one or more folders."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from coldframe.cli.complete import recipe_names, settings
from coldframe.cli.counting import Counting
from coldframe.cli.log import logging_options
from coldframe.cli.options import use_anyway_option
from coldframe.cli.show import json_option, print_json, print_table
from coldframe.errors import UsageError
from coldframe.session import default_workers


@click.command("inspect")
@click.argument("folders", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--recipe",
    metavar="NAME|FILE",
    shell_complete=recipe_names,
    help="Recipe whose limits count; else the one that suits.",
)
@click.option(
    "--with",
    "overrides",
    multiple=True,
    metavar="inspect.LIMIT=VALUE",
    shell_complete=settings,
    help="Change one limit.",
)
@use_anyway_option
@click.option("--all", "everything", is_flag=True, help="List the good frames too.")
@click.option(
    "--store",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder where measurements are kept; a run with the same --store need not measure again. "
    "[default: your cache folder, as for run]",
)
@click.option(
    "--workers",
    type=click.IntRange(1),
    default=default_workers(),
    show_default="every core",
    help="Frames at once.",
)
@json_option
@logging_options
def command(
    folders: tuple[Path, ...],
    recipe: str | None,
    overrides: tuple[str, ...],
    use_anyway: tuple[str, ...],
    everything: bool,
    store: Path | None,
    workers: int,
    as_json: bool,
) -> None:  # fmt: skip
    """Inspect every frame: use, warn or set aside, each with its reason and the number behind it.

    \b
    coldframe inspect 2026-03-14
    coldframe inspect darks flats --with inspect.flat_high=0.8
    coldframe inspect 2026-03-14 --use-anyway 'flats/*' --json

    Nothing is moved or changed. Exit codes: 0 done, 1 the work failed, 2 wrong use.
    """
    from coldframe.digests import DigestCache, cache_file
    from coldframe.night import scan
    from coldframe.plugins import find_plugins
    from coldframe.recipe import load_recipe
    from coldframe.recipe_document import find_recipe
    from coldframe.vetting.vet import vet

    registry = find_plugins()
    named = load_recipe(find_recipe(recipe), registry, overrides) if recipe else None
    digests = DigestCache(cache_file(folders, store))
    with Counting() as counting:
        found = scan(
            folders,
            registry.readers,
            registry.fix_metadata,
            patterns=named.kinds if named else {},
            digests=digests,
            workers=workers,
            watch=counting.show,
        )
    limits = named.inspect if named else _limits(found.frames, registry, overrides)
    if limits is None:
        raise UsageError(f"the recipe '{recipe}' turns the inspection off with 'inspect: false'")
    with Counting() as counting:
        vetted, sights, found = vet(
            found,
            registry,
            limits,
            digests,
            use_anyway=use_anyway,
            workers=workers,
            watch=counting.show,
        )
    found = replace(found, warnings=found.warnings + registry.faults.take())
    facts = describe(found, vetted, sights)
    if as_json:
        print_json(facts)
    else:
        _print(facts, everything)


def _limits(frames: Any, registry: Any, overrides: tuple[str, ...]) -> Any:
    """The limits that a run would go by; the defaults where no recipe suits, as for darks alone."""
    from coldframe.choose import choose_recipe
    from coldframe.recipe import load_recipe
    from coldframe.recipe_document import shipped_recipes

    try:
        return choose_recipe(frames, registry, overrides).recipe.inspect
    except UsageError:
        return load_recipe(next(iter(shipped_recipes().values())), registry, overrides).inspect


def describe(found: Any, vetted: Any, sights: Any) -> dict[str, Any]:
    """The verdicts, JSON-ready."""
    frames = []
    for one, sight in zip(vetted, sights, strict=True):
        measures: dict[str, float] = {}
        if sight is not None:
            measures = {
                "level": round(sight.level, 2), "noise": round(sight.look.noise, 2), **sight.stars,
            }  # fmt: skip
        frames.append(
            {
                "frame": one.label,
                "night": one.info.night,
                "file": one.info.path,
                "kind": one.info.kind.value if one.info.kind else None,
                "verdict": one.verdict.value,
                "reason": one.reason,
                "used_anyway_by": one.used_anyway_by,
                "findings": [
                    {
                        "rule": f.rule, "verdict": f.verdict.value, "reason": f.reason,
                        "value": f.value, "limit": f.limit,
                    }
                    for f in one.findings
                ],
                "measures": measures,
            }
        )  # fmt: skip
    frames += [
        {
            "frame": label, "night": None, "file": None, "kind": None, "verdict": "set aside",
            "reason": reason, "used_anyway_by": "", "findings": [], "measures": {},
        }
        for label, reason in found.set_aside
    ]  # fmt: skip
    counts = Counter(frame["verdict"] for frame in frames)
    return {
        "frames": frames,
        "use": counts["use"],
        "warn": counts["warn"],
        "set_aside": counts["set aside"],
        "warnings": list(found.warnings),
    }


def _print(facts: dict[str, Any], everything: bool) -> None:
    listed = [f for f in facts["frames"] if everything or f["reason"]]
    if listed:
        print_table(
            "Frames", ["frame", "kind", "verdict", "reason"],
            [[f["frame"], f["kind"] or "", _word(f), f["reason"]] for f in listed],
        )  # fmt: skip
        click.echo()
    for warning in facts["warnings"]:
        click.echo(f"warning: {warning}")
    click.echo(
        f"{len(facts['frames'])} frames: {facts['use']} to use, {facts['warn']} with a warning, "
        f"{facts['set_aside']} set aside"
    )
    if facts["set_aside"]:
        click.echo(
            "To use one all the same: --use-anyway PATTERN, or use_anyway: true under files in notes.yaml"
        )


def _word(frame: dict[str, Any]) -> str:
    return (
        f"use (by order of {frame['used_anyway_by']})"
        if frame["used_anyway_by"] and frame["reason"]
        else frame["verdict"]
    )
