"""`coldframe explain`: how a product came about."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from coldframe.cli.log import logging_options
from coldframe.cli.show import json_option, print_json


@click.command("explain")
@click.argument("product")
@click.option(
    "--store", type=click.Path(path_type=Path, file_okay=False, exists=True), metavar="DIR",
    help="The run's store. [default: looked for beside the file]",
)  # fmt: skip
@click.option("--depth", type=click.IntRange(0), help="How many steps back. [default: all]")
@click.option(
    "--all",
    "sides",
    is_flag=True,
    help="Show also what was measured in each frame and what was decided over all of them.",
)
@click.option(
    "--prov", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
    help="Write the ancestry as W3C PROV-JSON.",
)  # fmt: skip
@json_option
@logging_options
def command(
    product: str,
    store: Path | None,
    depth: int | None,
    sides: bool,
    prov: Path | None,
    as_json: bool,
) -> None:
    """Print everything behind PRODUCT, back to the frames the camera wrote.

    PRODUCT is a FITS, TIFF or PNG file that a run wrote, or a store key (with --store).

    \b
    coldframe explain reeds/Lantern-Nebula-clear-final.fits
    coldframe explain reeds/Lantern-Nebula-clear-final.png --depth 2
    coldframe explain 455fa4b9c1 --store reeds/store --all
    coldframe explain reeds/Lantern-Nebula-clear-final.fits --prov reeds.prov.json

    A FITS product tells all of it from its own header, wherever it is taken.
    """
    from coldframe.product import atomic
    from coldframe.provenance import explain
    from coldframe.provjson import prov_json

    lineage = explain(product, store).within(depth)
    if prov is not None:
        with atomic(prov) as temporary:
            text = json.dumps(prov_json(lineage), indent=1, ensure_ascii=False)
            temporary.write_text(text, encoding="utf-8")
    if as_json:
        print_json(facts(lineage))
    else:
        _print(lineage, sides)
        if prov is not None:
            click.echo(f"\nPROV-JSON: {prov}")


def facts(lineage: Any) -> dict[str, Any]:
    """The lineage, JSON-ready."""
    from coldframe.provenance import is_source, params_of

    nodes = []
    for node in lineage.nodes.values():
        ref = lineage.refs.get(node.key)
        told = params_of(node)
        nodes.append(
            {
                "key": node.key,
                "step": node.step,
                "label": node.label,
                "source": is_source(node),
                **({"digest": told.get("digest"), "facts": told} if is_source(node) else {}),
                **({} if is_source(node) else {"params": told}),
                "inputs": list(node.inputs),
                **({"measures": dict(ref.measures)} if ref is not None else {}),
            }
        )
    return {
        "product": lineage.product,
        "file": str(lineage.file) if lineage.file else None,
        "as_written": lineage.as_written,
        "told_by": lineage.told_by,
        "unknown": list(lineage.unknown),
        "history": list(lineage.history),
        "recipe": lineage.run.get("recipe"),
        "versions": lineage.run.get("versions"),
        "nodes": nodes,
    }


def _print(lineage: Any, sides: bool) -> None:
    from coldframe.provenance import sources, steps, tree

    name = lineage.file.name if lineage.file else "product"
    click.echo(f"{name}: product {lineage.product}")
    click.echo(f"told by {lineage.told_by}")
    recipe = lineage.run.get("recipe")
    if recipe:
        click.echo(f"recipe {recipe['name']}: {recipe['why']}")
    if lineage.as_written is not None:
        same = "its bytes are those that the run wrote"
        click.echo(same if lineage.as_written else "the file was changed after the run wrote it")
    for what in lineage.unknown:
        click.echo(f"not known: {what}")
    click.echo()
    for line in tree(lineage, sides=sides):
        click.echo(line)
    for line in lineage.history:
        click.echo(f"  {line}")
    if not any(node.step for node in lineage.nodes.values()):
        return
    click.echo("\nSteps and their parameters")
    for step, params in steps(lineage, sides=sides):
        shown = ", ".join(f"{key} {json.dumps(value)}" for key, value in params.items())
        click.echo(f"  {step}: {shown or 'none'}")
    frames = sources(lineage)
    click.echo(f"\n{len(frames)} source {'frame' if len(frames) == 1 else 'frames'}")
