"""`coldframe store`: how large it is, and taking out what need not stay."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from coldframe.cli.options import Size
from coldframe.cli.show import bytes_text, json_option, print_json, print_table

folder_argument = click.argument("folder", type=click.Path(path_type=Path, file_okay=False))

NAMES = {
    "frame": "single frames in between",
    "stack": "masters, stacks and results",
    "numbers": "measurements and decisions",
    "band": "parts of unfinished stacks",
}


@click.group("store")
def command() -> None:
    """Look at a run's store and prune it.

    Everything in a store can be made again from the source frames, in the same bytes.
    """


@command.command("size")
@folder_argument
@json_option
def size(folder: Path, as_json: bool) -> None:
    """How large a store is, and how much of it the last runs still use.

    FOLDER is the store or the output folder of a run that has its store inside.

    \b
    coldframe store size reeds
    coldframe store size /data/store --json
    """
    from coldframe.prune import find_store, holding, totals

    found = holding(find_store(folder))
    by_kind = totals(found.products)
    runs = [
        {
            "output": str(run.output),
            "recipe": run.recipe,
            "when": run.when.isoformat(),
            "there": run.current,
        }
        for run in found.runs
    ]
    if as_json:
        print_json(
            {
                "store": str(found.root),
                "bytes": found.size,
                "kinds": by_kind,
                "unfinished_files": len(found.halves),
                "runs": runs,
            }
        )
        return
    print_table(
        f"{found.root}: {bytes_text(found.size)}",
        ["what", "products", "size", "used", "not used"],
        [
            [
                NAMES[kind],
                str(row["products"]),
                *(bytes_text(row[name]) for name in ("bytes", "used", "unused")),
            ]
            for kind, row in sorted(by_kind.items())
        ],
    )
    for run in runs:
        gone = "" if run["there"] else ", which is gone: its products are not used"
        click.echo(f"run into {run['output']} (recipe {run['recipe']}, {run['when']}){gone}")
    if found.halves:
        click.echo(f"{len(found.halves)} files half written by runs that were cut off")


@command.command("prune")
@folder_argument
@click.option(
    "--keep",
    type=click.Choice(("used", "masters", "results")),
    default="used",
    show_default=True,
    help="used: all that the last run into each output folder uses; masters: of that, masters, "
    "stacks and results; results: of that, results only.",
)
@click.option(
    "--older-than",
    type=click.FloatRange(0),
    default=0.0,
    metavar="DAYS",
    help="Only what was made longer ago.",
)
@click.option(
    "--to",
    "down_to",
    type=Size(),
    help="Only as much as is needed to come down to this size, such as 50GiB, the oldest first.",
)
@click.option("--dry-run", is_flag=True, help="Say what would go, and leave it there.")
@json_option
def prune(
    folder: Path, keep: str, older_than: float, down_to: int | None, dry_run: bool, as_json: bool
) -> None:
    """Take out of a store what need not stay.

    FOLDER is the store or the output folder of a run that has its store inside. What goes is
    made again, in the same bytes, if a run wants it. A store that a run is using is left alone.

    \b
    coldframe store prune reeds --dry-run
    coldframe store prune reeds --keep masters
    coldframe store prune /data/store --older-than 30 --to 200GiB

    Exit codes: 0 done, 1 a run is using the store or it cannot be written, 2 wrong use.
    """
    from coldframe.prune import Wish, choose, find_store, holding, totals
    from coldframe.prune import prune as take_out

    found = holding(find_store(folder))
    cut = choose(found, Wish(keep, older_than, down_to))
    if not dry_run:
        take_out(found, cut)
    gone: dict[str, Any] = totals((*cut.whole, *cut.pixels))
    if as_json:
        print_json(
            {
                "store": str(found.root),
                "dry_run": dry_run,
                "freed": cut.freed,
                "left": cut.left,
                "kinds": {kind: row["products"] for kind, row in gone.items()},
                "unfinished_files": len(cut.halves),
            }
        )
        return
    for kind, row in sorted(gone.items()):
        click.echo(f"{row['products']} {NAMES[kind]}")
    if cut.halves:
        click.echo(f"{len(cut.halves)} files half written")
    word = "would be freed" if dry_run else "freed"
    click.echo(f"{bytes_text(cut.freed)} {word}, {bytes_text(cut.left)} left in {found.root}")
    if down_to is not None and cut.left > down_to:
        click.echo(f"no more can go under --keep {keep}")
