"""`coldframe camera advise`: how long and how many, from the camera's numbers and a light's sky."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from coldframe.cli.log import logging_options
from coldframe.cli.scanning import camera_option, scan_folders
from coldframe.cli.show import json_option, print_json, print_table, tell_safety
from coldframe.errors import UsageError

if TYPE_CHECKING:
    from coldframe.camera.advice import Advice, Wish
    from coldframe.camera.transfer import Value
    from coldframe.frame import FrameInfo
    from coldframe.plugins import Registry


@click.command("advise")
@click.argument("lights", nargs=-1, required=True, type=click.Path(path_type=Path))
@camera_option
@click.option(
    "--read-noise-share",
    "share",
    type=click.FloatRange(0.001, 2),
    default=0.05,
    show_default=True,
    help="What read noise may add to the noise of the sky, as a fraction.",
)
@click.option(
    "--depth",
    type=click.FloatRange(0.01, 5),
    default=0.5,
    show_default=True,
    help="Gain in depth over the lights that there are, in magnitudes.",
)
@click.option(
    "--object",
    "brightness",
    type=click.FloatRange(0.0001, 100),
    default=0.1,
    show_default=True,
    help="Brightness of the object whose signal-to-noise ratio is told, as a fraction of the sky's.",
)
@click.option(
    "--pause",
    "overhead",
    type=click.FloatRange(0),
    metavar="SECONDS",
    help="Pause after each light. [default: as the lights' times tell]",
)
@json_option
@logging_options
def advise(
    lights: tuple[Path, ...],
    cameras: tuple[Path, ...],
    share: float,
    depth: float,
    brightness: float,
    overhead: float | None,
    as_json: bool,
) -> None:
    """Advise on exposure, from the sky in a night's lights or in one light.

    Says at which sub-exposure read noise adds 5% to the noise of sky and dark current, what an
    hour gives at that and other exposures, and how many further lights a gain in depth takes, by
    the CCD equation (Merline and Howell 1995). Bias frames in the folder tell the offset.

    \b
    coldframe camera advise 2026-03-14
    coldframe camera advise 2026-03-14/L_001.fits --camera m1.yaml --read-noise-share 0.1
    coldframe camera advise 2026-03-14 --depth 1
    """  # fmt: skip
    from coldframe.camera.advice import Wish, as_facts
    from coldframe.camera.advice import advise as find_advice
    from coldframe.camera.known import complete, find_cameras
    from coldframe.cautions import FOR_FLATS, IN_TERMINAL
    from coldframe.night import reader_for
    from coldframe.plugins import find_plugins

    registry = find_plugins()
    known = find_cameras(cameras)
    wish = Wish(share, depth, brightness, overhead)
    frames = complete(_frames(lights, registry), known).frames
    advice = find_advice(
        frames, known, lambda info: reader_for(info, registry.readers).read_frame(info), wish
    )
    if as_json:
        print_json([as_facts(one, wish) for one in advice])
        return
    for i, one in enumerate(advice):
        if i:
            click.echo()
        _print(one, wish)
    tell_safety((*FOR_FLATS, IN_TERMINAL))


def _frames(paths: Sequence[Path], registry: Registry) -> list[FrameInfo]:
    """Frames of nights; of a single light, itself and its folder's bias frames."""
    from coldframe.frame import Kind

    out: list[FrameInfo] = []
    for path in paths:
        if not path.exists():
            raise UsageError(f"{path}: no such file or folder; check the spelling")
        found = scan_folders((path if path.is_dir() else path.parent,), registry)
        if path.is_dir():
            out += found.frames
            continue
        place = path.resolve()
        own = [f for f in found.frames if Path(f.path).resolve() == place]
        if not own:
            why = next((w for label, w in found.set_aside if Path(label).name == path.name), "")
            raise UsageError(f"{path} is no frame that can be used" + (f": {why}" if why else ""))
        if any(f.kind is not Kind.LIGHT for f in own):
            raise UsageError(f"{path} is a {own[0].kind}, not a light ({own[0].kind_reason})")
        out += own + [f for f in found.frames if f.kind is Kind.BIAS]
    return out


def _print(advice: Advice, wish: Wish) -> None:
    from coldframe.camera.page import plus_minus
    from coldframe.report.numbers import count, number

    def shown(value: Value, factor: float = 1.0) -> str:
        return plus_minus(value.value * factor, value.error * factor)

    best, slow = advice.advised, advice.slowest
    click.echo(
        f"{advice.label}: {count(advice.lights, 'light')}; gain {shown(advice.gain)} e-/ADU, "
        f"read noise {shown(advice.read_noise)} e- with rounding; offset from {advice.offset.source}"
    )
    dark = "" if advice.dark is None else f", of which dark current {number(advice.dark, 3)}"
    which = "" if slow.name == "mono" else f" in {slow.name}, the colour that needs longest"
    click.echo(
        f"Expose {shown(slow.exposure)} s or longer: there read noise adds {wish.share:.0%} to the "
        f"noise of sky and dark current ({shown(slow.background)} e-/s in a pixel{dark}){which}."
    )
    print_table(
        "By colour",
        [
            "colour",
            "sky and dark e-/s",
            f"read noise adds at {number(advice.exposure)} s",
            "advised s",
        ],
        [
            [c.name, shown(c.background), f"{shown(c.added, 100)} %", shown(c.exposure)]
            for c in advice.colours
        ],
    )
    click.echo()
    print_table(
        f"An object of {number(wish.object)} times the sky, {number(advice.overhead, 3)} s pause "
        f"({advice.overhead_from})",
        ["exposure s", "read noise adds", "SNR per hour", "of the ideal",
         f"lights for {number(wish.depth)} mag", "hours", "sky level"],
        [
            [
                f"{number(c.exposure)}{' (now)' if c.exposure == advice.exposure else ''}",
                f"{shown(c.added, 100)} %",
                shown(c.snr),
                f"{c.efficiency:.0%}",
                plus_minus(c.further.value, c.further.error),
                plus_minus(c.hours.value, c.hours.error),
                "–" if c.sky_share is None else f"{c.sky_share:.1%}",
            ]
            for c in advice.choices
        ],
    )  # fmt: skip
    click.echo(
        f"{number(wish.depth)} mag deeper than these {advice.lights} lights: about "
        f"{plus_minus(best.further.value, best.further.error)} further lights of "
        f"{number(best.exposure, 3)} s, under the same sky."
    )
    for note in advice.notes:
        click.echo(f"note: {note}")
