"""`coldframe compare`: which of two runs is deeper, sharper, flatter."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from coldframe.cli.log import logging_options
from coldframe.cli.options import Size, make_request, use_anyway_option, with_library
from coldframe.cli.scanning import camera_option
from coldframe.cli.show import json_option, print_json, print_table, tell
from coldframe.errors import UsageError
from coldframe.night import MANIFEST
from coldframe.session import default_workers

if TYPE_CHECKING:
    from coldframe.comparing.figures import Comparison
    from coldframe.comparing.folder import RunFolder


@click.command("compare")
@click.argument("folders", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--with",
    "changes",
    multiple=True,
    metavar="STEP.PARAM=VALUE",
    help="With a night: B is as A with this parameter changed.",
)
@click.option(
    "--recipe",
    "recipes",
    multiple=True,
    metavar="NAME|FILE",
    help="With a night: the recipe of A, and given twice, that of B. [default: the one that suits]",
)
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the page, and for both runs of a night. [default: A-B-compare, here]",
)
@click.option(
    "--store",
    type=click.Path(path_type=Path, file_okay=False),
    help="Store of both runs, where it is not the one they tell. [of a night: OUTPUT/store]",
)
@camera_option
@click.option(
    "--workers", type=click.IntRange(1), default=None, show_default="every core",
    help="Tasks at once.",
)  # fmt: skip
@click.option(
    "--memory", type=Size(), default=None, show_default="half of the machine's",
    help="Limit of the runs, such as 2GiB.",
)  # fmt: skip
@use_anyway_option
@click.option("--no-inspect", is_flag=True, help="Do not inspect the frames first.")
@with_library
@json_option
@logging_options
def command(
    folders: tuple[Path, ...],
    changes: tuple[str, ...],
    recipes: tuple[str, ...],
    output: Path | None,
    store: Path | None,
    as_json: bool,
    workers: int | None,
    memory: int | None,
    **asked: Any,
) -> None:
    """Say which of two stacks is deeper, sharper and flatter, and how certain that is.

    Give the output folders of two runs, A and B; or one night, with --with or two times --recipe:
    then both runs are made first, work that they share only once. A page with the figures and with
    pictures that blink is written.

    \b
    coldframe compare reeds reeds-bilinear
    coldframe compare 2026-03-14 --with aligned.method=bilinear
    coldframe compare 2026-03-14 --recipe camera-lens --recipe quick-look -o recipes

    Exit codes: 0 done, 1 the work failed, 2 wrong use, 130 stopped by Ctrl-C.
    """
    from coldframe.comparing.compare import compare, shared_results
    from coldframe.comparing.folder import differences, read_run
    from coldframe.comparing.page import comparison_part, write_comparison

    if len(folders) == 1 and not (folders[0] / MANIFEST).exists():
        asked |= {"workers": workers, "memory": memory}
        output = output or Path.cwd() / f"{folders[0].resolve().name}-compare"
        store = store or output / "store"
        folders = _run_both(folders[0], changes, recipes, output, store, asked)
    elif changes or recipes:
        raise UsageError("--with and --recipe go with one night that has yet to be run")
    if len(folders) != 2:
        raise UsageError("give two runs to compare, or one night with --with or two --recipe")
    if folders[0].resolve() == folders[1].resolve():
        raise UsageError(f"{folders[0]} is named twice; give another run to compare it with")
    runs = read_run(folders[0], store), read_run(folders[1], store)
    warnings = _warnings(runs)
    for line in warnings:
        tell(f"warning: {line}")
    comparisons, parts = [], []
    for number, results in enumerate(shared_results(*runs), 1):
        with _counting() as counting:
            found = compare(
                runs, results, workers=workers or default_workers(), watch=counting.show
            )
        comparisons.append(found.comparison)
        parts.append(comparison_part(found, number))
    output = output or Path.cwd() / f"{runs[0].name}-{runs[1].name}-compare"
    differing = differences(*runs)
    page = write_comparison(runs, parts, differing, warnings, output / "compare.html")
    if as_json:
        print_json(
            {
                "a": {"folder": str(folders[0]), "recipe": runs[0].recipe},
                "b": {"folder": str(folders[1]), "recipe": runs[1].recipe},
                "set_otherwise": list(differing),
                "warnings": list(warnings),
                "stacks": [comparison.to_dict() for comparison in comparisons],
                "page": str(page),
            }
        )
        return
    for letter, run in zip("AB", runs, strict=True):
        click.echo(f"{letter}: {run.folder}, recipe {run.recipe}")
    for line in differing:
        click.echo(f"set otherwise in B: {line}")
    for comparison in comparisons:
        _print(comparison)
    click.echo(f"\npage: {page}")


def _counting() -> Any:
    from coldframe.cli.counting import Counting

    return Counting("drawing lights anew")


def _run_both(
    night: Path,
    changes: Sequence[str],
    recipes: Sequence[str],
    output: Path,
    store: Path,
    asked: dict[str, Any],
) -> tuple[Path, Path]:
    """Run a night in both ways, into OUTPUT/a and OUTPUT/b."""
    from coldframe.cli.counting import Counting
    from coldframe.cli.run import execute
    from coldframe.plugins import find_plugins
    from coldframe.session import prepare

    if not night.exists():
        raise UsageError(f"{night}: no such folder; check the spelling")
    if len(recipes) > 2 or (len(recipes) < 2 and not changes):
        raise UsageError(
            f"{night} is one night: say what B is, by --with STEP.PARAM=VALUE or by --recipe twice"
        )
    registry = find_plugins()
    first, second = (recipes or (None,))[0], (recipes or (None,))[-1]
    ways = ((output / "a", first, ()), (output / "b", second, tuple(changes)))
    prepared = []
    for folder, recipe, overrides in ways:
        request = make_request(
            nights=(night,), recipe=recipe, overrides=overrides, output=folder, store=store,
            compare_masters=0, **asked,
        )  # fmt: skip
        with Counting() as counting:
            # Both are checked before either is run: a wrong parameter of B costs nothing.
            prepared.append((request, prepare(request, registry, counting.show)))
    for letter, (request, _) in zip("AB", prepared, strict=True):
        tell(f"run {letter}:")
        # Planned anew, so that B takes what A has just made.
        execute(prepare(request, registry), registry)
    return output / "a", output / "b"


def _warnings(runs: Sequence[RunFolder]) -> list[str]:
    a, b = ({Path(night).name for night in run.nights} for run in runs)
    if a != b:
        return [
            f"the runs are of different nights ({', '.join(sorted(a))}; {', '.join(sorted(b))}): "
            "sky and seeing differ as well as the processing"
        ]
    return []


def _print(comparison: Comparison) -> None:
    a, b, both = comparison.lights
    click.echo()
    print_table(
        f"{comparison.name}: {a} lights in A, {b} in B, {both} in both",
        ["figure (lower is better)", "A", "B", "unit", "verdict"],
        [[f.what, f"{f.a:.3g}", f"{f.b:.3g}", f.unit, f.verdict] for f in comparison.figures],
    )
    for note in comparison.notes:
        click.echo(f"note: {note}")
