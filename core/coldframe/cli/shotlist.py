"""`coldframe shotlist`: the calibration frames that are still to be shot."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from coldframe.cli.log import logging_options
from coldframe.cli.options import with_library
from coldframe.cli.scanning import camera_option, scan_folders
from coldframe.cli.show import json_option, print_json, print_table, tell_safety
from coldframe.errors import UsageError

if TYPE_CHECKING:
    from coldframe.dithering import Shift
    from coldframe.shots.items import ShotList


@click.command("shotlist")
@click.argument("nights", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--for",
    "plans",
    multiple=True,
    metavar="KEY=VALUE,...",
    help="Lights that are planned: camera, exposure, and iso or gain, offset, temperature, filter, "
    "optics, lights (how many), sky (e-/s in a pixel).",
)
@camera_option
@click.option(
    "--noise-share",
    "share",
    type=click.FloatRange(0.001, 1),
    default=0.02,
    show_default=True,
    help="What each master may add to the stack's noise, as a fraction.",
)
@click.option(
    "--least",
    type=click.IntRange(1),
    default=10,
    show_default=True,
    help="Frames of a kind, at the very least.",
)
@click.option(
    "--dither-positions",
    "positions",
    type=click.IntRange(1),
    show_default="as counted in a run, else 1",
    help="Dither positions of the lights, pixels apart; 1: the field is never moved.",
)
@click.option(
    "--run",
    type=click.Path(path_type=Path, file_okay=False),
    help="Output folder of a run of these lights, in which their dither positions are counted. "
    "[default: NIGHT-stack, here]",
)
@click.option(
    "--pause",
    "overhead",
    type=click.FloatRange(0),
    default=2.0,
    show_default=True,
    metavar="SECONDS",
    help="Pause after each frame.",
)
@click.option(
    "--forecast",
    metavar="TIMES|FILE",
    help="Air temperatures of the night, such as 21:00=12,03:00=5, or a file with one a line.",
)
@click.option(
    "--sensor-above",
    "above",
    type=float,
    default=0.0,
    show_default=True,
    metavar="DEGC",
    help="How much warmer than the air the sensor is.",
)
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write a page to print (HTML).",
)
@click.option(
    "--csv", "table", type=click.Path(path_type=Path, dir_okay=False), help="Write a CSV table."
)
@with_library
@json_option
@logging_options
def command(
    nights: tuple[Path, ...],
    plans: tuple[str, ...],
    cameras: tuple[Path, ...],
    share: float,
    least: int,
    positions: int | None,
    run: Path | None,
    overhead: float,
    forecast: str | None,
    above: float,
    output: Path | None,
    table: Path | None,
    library: Path | None,
    no_library: bool,
    as_json: bool,
) -> None:
    """List the calibration frames that lights still need.

    Says which darks, flats, bias and dark flats are missing or too few, at which settings, how
    many are worth it (by the noise that their master would add to the stack) and how long they
    take. Masters of the calibration library count as what there is. A forecast sorts the darks by when the sensor has their temperature.

    \b
    coldframe shotlist 2026-03-14
    coldframe shotlist 2026-03-14 --forecast 21:00=12,03:00=5 -o tonight.html
    coldframe shotlist --for camera=N1,iso=1600,exposure=120,temperature=10 --camera n1.yaml
    """  # fmt: skip
    from coldframe.camera.known import complete, find_cameras
    from coldframe.frame import FrameInfo
    from coldframe.library.library import open_shelf
    from coldframe.night import reader_for
    from coldframe.plugins import find_plugins
    from coldframe.shots.forecast import read_forecast
    from coldframe.shots.items import Wish
    from coldframe.shots.plan import make_list
    from coldframe.shots.planned import read_plan
    from coldframe.shots.sheet import as_facts, write_csv, write_sheet
    from coldframe.shots.stock import Stocked

    if not nights and not plans:
        raise UsageError("name a night, or planned lights with --for")
    shifts, counted = _shifts(run, nights)
    wish = Wish(
        share, least, positions, overhead, read_forecast(forecast) if forecast else None, above,
        shifts, counted,
    )  # fmt: skip
    known = find_cameras(cameras)
    shelf = open_shelf(library, not no_library)
    registry = find_plugins()
    frames: tuple[FrameInfo, ...] = ()
    if nights:
        frames = complete(scan_folders(nights, registry).frames, known).frames
    shots = make_list(
        frames,
        [read_plan(text, frames, known) for text in plans],
        known,
        lambda info: reader_for(info, registry.readers).read_frame(info),
        wish,
        [
            Stocked(master.info.kind, master.info, len(master.sources))
            for master in (shelf.candidates if shelf else ())
            if master.info.kind is not None
        ],
    )
    written = []
    if output is not None:
        names = ", ".join(night.resolve().name for night in nights) or "planned lights"
        written.append(write_sheet(shots, wish, f"Shot list for {names}", output))
    if table is not None:
        written.append(write_csv(shots, wish, table))
    if as_json:
        print_json({**as_facts(shots, wish), "files": [str(p) for p in written]})
        return
    _print(shots)
    for path in written:
        click.echo(f"written: {path}")


def _shifts(run: Path | None, nights: tuple[Path, ...]) -> tuple[Mapping[str, Shift], str]:
    """Where the lights of a run lie, and the name of its folder."""
    from coldframe.cli.options import output_of
    from coldframe.dithering import read_shifts

    if run is not None:
        return read_shifts(run), run.resolve().name
    if nights:
        folder = output_of(nights)
        with contextlib.suppress(UsageError):  # there is no run, or it has not finished
            return read_shifts(folder), folder.name
    return {}, ""


def _print(shots: ShotList) -> None:
    from coldframe.report.numbers import duration
    from coldframe.shots.items import name_of
    from coldframe.shots.sheet import (
        added_words,
        cautions,
        exposure_words,
        settings_text,
        temperature_words,
        title_of,
    )

    several = len({i.info.camera for i in shots.items}) > 1
    print_table(
        "Shot list",
        ["shoot", "frames", "exposure", "sensor", "setting", "when", "takes", "there are",
         "adds now", "then"],
        [
            [str(i.shoot), name_of(i.kind), exposure_words(i), temperature_words(i),
             settings_text(i.info, several), i.when, duration(i.seconds) if i.shoot else "–", str(i.have),
             added_words(i.now), added_words(i.then)]
            for i in shots.items
        ],
    )  # fmt: skip
    click.echo(f"\n{sum(i.shoot for i in shots.items)} frames to shoot, {duration(shots.seconds)}")
    for i in shots.items:
        click.echo(f"  {title_of(i)}: {i.reason}; {i.have} exist")
        for note in i.notes:
            click.echo(f"    {note}")
    for words in shots.dithering_words:
        click.echo(f"Dithering: {words}.")
    for label, value in shots.together:
        click.echo(f"All masters together then add {added_words(value)} to the noise of {label}.")
    for note in shots.notes:
        click.echo(f"note: {note}")
    tell_safety(cautions(shots.items))
