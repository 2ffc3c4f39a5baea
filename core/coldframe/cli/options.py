"""Options that `run` and `plan` share, and how they become a request."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import click

from coldframe.cli.complete import recipe_names, settings
from coldframe.digests import cache_file
from coldframe.errors import UsageError
from coldframe.execute import SCHEDULERS, check_scheduler
from coldframe.nights_file import read_nights
from coldframe.prepared import Request
from coldframe.session import default_memory, default_workers
from coldframe.tidy import KEEP

UNITS = {"": 1, "B": 1, "K": 1 << 10, "M": 1 << 20, "G": 1 << 30, "T": 1 << 40}


class Size(click.ParamType):
    """An amount of memory, such as 2GiB or 500M (binary units)."""

    name = "size"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        if isinstance(value, int):
            return value
        found = re.fullmatch(r"\s*([0-9.]+)\s*([KMGT]?)(i?B)?\s*", str(value), re.IGNORECASE)
        try:
            size = int(float(found[1]) * UNITS[found[2].upper()]) if found else 0
        except ValueError:
            size = 0
        if size < 64 << 20:
            self.fail(f"'{value}' is not an amount of memory of 64MiB or more, such as 2GiB")
        return size


use_anyway_option = click.option(
    "--use-anyway", multiple=True, metavar="PATTERN",
    help="Use these frames whatever the inspection finds, such as 'darks/*'.",
)  # fmt: skip

library_option = click.option(
    "--library", type=click.Path(path_type=Path, file_okay=False), metavar="DIR",
    help="Calibration library. [default: yours, in your user data folder]",
)  # fmt: skip

LIBRARY = (
    library_option,
    click.option(
        "--no-library", is_flag=True, help="Use no masters but those of the nights themselves."
    ),
)


def with_library(function: Callable[..., Any]) -> Callable[..., Any]:
    """--library and --no-library."""
    for decorate in reversed(LIBRARY):
        function = decorate(function)
    return function


class Scheduler(click.ParamType):
    """A scheduler's name, the address of a running dask scheduler, or its scheduler file."""

    name = "scheduler"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        return check_scheduler(str(value))


scheduler_option = click.option(
    "--scheduler", type=Scheduler(), default="threads", show_default=True,
    metavar="|".join((*SCHEDULERS, "tcp://HOST:PORT", "FILE")),
    help="How tasks run; the products are the same. An address or FILE is of a running dask "
    "scheduler.",
)  # fmt: skip


def planning_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """NIGHT..., --nights, --combined-only, --recipe, --with, -o, --store, --camera, --library,
    --workers, --memory, --use-anyway, --no-inspect, --compare-masters.
    """
    for decorate in reversed(
        [
            click.argument("nights", nargs=-1, type=click.Path(path_type=Path)),
            click.option(
                "--nights", "nights_file", type=click.Path(path_type=Path, dir_okay=False),
                metavar="FILE", help="YAML list of nights, before those named here.",
            ),
            click.option(
                "--combined-only", is_flag=True,
                help="Of several nights make the stacks of all together only.",
            ),
            click.option(
                "--recipe", metavar="NAME|FILE", shell_complete=recipe_names,
                help="Recipe; else the one that suits.",
            ),
            click.option(
                "--with", "overrides", multiple=True, metavar="STEP.PARAM=VALUE",
                shell_complete=settings, help="Change one parameter of the recipe.",
            ),
            click.option(
                "-o", "--output", type=click.Path(path_type=Path, file_okay=False),
                help="Folder for products. [default: NIGHT-stack, here]",
            ),
            click.option(
                "--store", type=click.Path(path_type=Path, file_okay=False),
                help="Folder for everything in between. [default: OUTPUT/store]",
            ),
            *LIBRARY,
            click.option(
                "--camera", "cameras", multiple=True,
                type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
                help="Camera file that tells gain, read noise and white level where frames do not.",
            ),
            click.option(
                "--workers", type=click.IntRange(1), default=None,
                show_default="every core, or the cluster's", help="Tasks at once.",
            ),
            click.option(
                "--memory", type=Size(), default=None,
                show_default="half of the machine's, or the cluster's", help="Limit, such as 2GiB.",
            ),
            click.option(
                "--store-keeps", type=click.Choice(tuple(KEEP)), default="all", show_default=True,
                help="all: everything, for quick runs with other settings or more frames; masters: "
                "single frames go as soon as they are not needed; results: masters go too.",
            ),
            use_anyway_option,
            click.option("--no-inspect", is_flag=True, help="Do not inspect the frames first."),
            click.option(
                "--compare-masters", type=click.IntRange(0), metavar="N", show_default="3 to 6",
                help="Lights stacked again without each kind of master, to show in the report what "
                "it did; 0 for none.",
            ),
        ]
    ):  # fmt: skip
        function = decorate(function)
    return function


def _size_of(scheduler: str) -> tuple[int, int]:
    """Workers and bytes of memory where nobody said how many: the cluster's, or this machine's."""
    threads = memory = 0
    if scheduler not in SCHEDULERS:
        from coldframe.connecting import cluster_size

        threads, memory = cluster_size(scheduler)
    return threads or default_workers(), memory or default_memory()


def output_of(nights: Sequence[Path]) -> Path:
    """The folder for products of these nights where nobody names one."""
    return Path.cwd() / f"{nights[0].resolve().name}-stack"


def make_request(
    nights: tuple[Path, ...],
    recipe: str | None,
    overrides: tuple[str, ...],
    output: Path | None,
    store: Path | None,
    workers: int | None,
    memory: int | None,
    scheduler: str = "threads",
    store_keeps: str = "all",
    cameras: tuple[Path, ...] = (),
    library: Path | None = None,
    no_library: bool = False,
    use_anyway: tuple[str, ...] = (),
    no_inspect: bool = False,
    compare_masters: int | None = None,
    nights_file: Path | None = None,
    combined_only: bool = False,
) -> Request:
    """Fill in the defaults that depend on each other."""
    if nights_file is not None:
        nights = (*read_nights(nights_file), *nights)
    if not nights:
        raise UsageError(
            "no night was given: name folders of frames, or list them in a file for --nights"
        )
    seen: set[Path] = set()
    for night in nights:
        if night.resolve() in seen:
            raise UsageError(f"{night} is named twice")
        seen.add(night.resolve())
    if workers is None or memory is None:
        threads, size = _size_of(scheduler)
        workers, memory = workers or threads, memory or size
    if output is None:
        output = output_of(nights)
    return Request(
        nights=nights,
        output=output,
        store=store or output / "store",
        cache=cache_file(nights, store),
        recipe=recipe,
        overrides=overrides,
        scheduler=scheduler,
        workers=workers,
        memory=memory,
        store_keeps=store_keeps,
        cameras=cameras,
        library=library,
        use_library=not no_library,
        use_anyway=use_anyway,
        inspect=not no_inspect,
        compare_masters=compare_masters,
        each_night=not combined_only,
    )
