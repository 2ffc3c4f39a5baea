"""`coldframe scale`: how long a run takes with more frames and more workers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from coldframe.cli.log import logging_options
from coldframe.cli.show import json_option, print_json, print_table, tell

FRAMES = (10, 100, 1000, 10_000, 100_000)
WORKERS = (1, 4, 16, 64, 256, 1000)
DISKS = (500.0, 10_000.0)  # MB/s
OVERHEAD = 2.0  # ms, measured by --measure on one 2-core machine


@click.command("scale")
@click.option(
    "--store",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    help="Store of a run whose measured rates are taken. [default: built-in rates]",
)
@click.option(
    "--recipe",
    default="camera-lens",
    show_default=True,
    metavar="NAME|FILE",
    help="Recipe of the run.",
)
@click.option(
    "--frames",
    multiple=True,
    type=click.IntRange(5, 1_000_000),
    help="Number of frames; may be given again. [default: 10 to 100000]",
)
@click.option(
    "--workers",
    multiple=True,
    type=click.IntRange(1, 100_000),
    help="Number of workers; may be given again. [default: 1 to 1000]",
)
@click.option(
    "--disk",
    "disks",
    type=click.FloatRange(1),
    multiple=True,
    help="What the store moves for all workers together, MB/s; may be given again. "
    "[default: 500, 10000]",
)
@click.option(
    "--task-overhead",
    "overhead",
    type=click.FloatRange(0),
    default=OVERHEAD,
    show_default=True,
    help="What the scheduler takes for one task, in ms.",
)
@click.option(
    "--measure",
    is_flag=True,
    help="Measure the overhead here instead, with a dask scheduler and one worker.",
)
@click.option(
    "--write",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="PAGE",
    help="Put the table into this page of Markdown, and images/scale.png beside it.",
)
@json_option
@logging_options
def command(
    store: Path | None, recipe: str, frames: tuple[int, ...], workers: tuple[int, ...],
    disks: tuple[float, ...],    overhead: float, measure: bool, write: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Predict run times for any number of frames and workers, by simulation.

    Nothing is processed: seasons of 24-megapixel frames are invented and planned, and their tasks
    are played through with what tasks were measured to take.

    \b
    coldframe scale --frames 1000 --workers 8 --workers 64
    coldframe scale --store reeds/store --disk 1000
    coldframe scale --measure --json

    Exit codes: 0 done, 1 the work failed, 2 wrong use.
    """
    from coldframe.estimate import BUILT_IN, load_rates
    from coldframe.plugins import find_plugins
    from coldframe.recipe import load_recipe
    from coldframe.recipe_document import find_recipe
    from coldframe.scale import measure as measuring
    from coldframe.scale import table

    registry = find_plugins()
    chosen = load_recipe(find_recipe(recipe), registry)
    seconds = measuring.overhead(chosen, registry) if measure else overhead / 1000
    cases = table.predict(
        chosen,
        registry,
        load_rates(store) if store else dict(BUILT_IN),
        frames or FRAMES,
        workers or WORKERS,
        overhead=seconds,
        disks=[1e6 * disk for disk in disks or DISKS],
        watch=lambda count, number: tell(f"{count:,} frames, {number:,} workers"),
    )
    if write is not None:
        table.put_into(write, table.markdown(cases))
        table.draw(cases, write.parent / "images" / "scale.png")
    if as_json:
        print_json(
            {
                "recipe": chosen.name,
                "overhead_seconds": seconds,
                "cases": [_facts(case) for case in cases],
            }
        )
        return
    click.echo(f"overhead {1000 * seconds:.2f} ms a task")
    print_table(
        "Predicted",
        ["store", "frames", "workers", "tasks", "time", "quicker", "the limit is"],
        [
            [
                table.speed(case.disk), f"{case.frames:,}", f"{case.workers:,}", f"{case.tasks:,}",
                table.duration(case.outcome.seconds), f"{case.speedup:.3g} x",
                table.WAITS[case.outcome.limit],
            ]
            for case in cases
        ],
    )  # fmt: skip


def _facts(case: Any) -> dict[str, Any]:
    return {
        "disk_bytes_per_second": case.disk,
        "frames": case.frames,
        "workers": case.workers,
        "tasks": case.tasks,
        "planning_seconds": round(case.planning, 3),
        "seconds": round(case.outcome.seconds, 3),
        "speedup": round(case.speedup, 3),
        "limit": case.outcome.limit,
        "bounds_seconds": {name: round(value, 3) for name, value in case.outcome.bounds.items()},
    }
