"""`coldframe camera`: measure, advise, list."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from coldframe.cli.advise import advise
from coldframe.cli.log import logging_options
from coldframe.cli.scanning import patterns_of, scan_folders
from coldframe.cli.show import json_option, print_json, print_table, tell, tell_safety

if TYPE_CHECKING:
    from coldframe.camera.measure import Measured


@click.group("camera")
def command() -> None:
    """Measure a camera, list the measured ones, and advise on exposure.

    \b
    coldframe camera measure n1-frames -o n1.yaml
    coldframe camera advise 2026-03-14
    """


@command.command("measure")
@click.argument("folders", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Camera file to write; the report goes beside it. [default: CAMERA.yaml, here]",
)
@click.option("--install", is_flag=True, help="Also put the file where every run finds it.")
@click.option(
    "--area",
    type=click.FloatRange(0.05, 1.0),
    metavar="SHARE",
    help="Middle part of the frames that is measured, as a share of each side. "
    "[default: 1 up to 2 megapixels, else 0.5]",
)
@click.option(
    "--hot",
    "hot_sigmas",
    type=click.FloatRange(3),
    default=10.0,
    show_default=True,
    help="A pixel is hot when it is so many sigma above the median of its colour.",
)
@click.option(
    "--kind",
    "kinds",
    multiple=True,
    metavar="KIND=GLOB",
    help="What files were shot as, where headers do not say, such as flat='steps/*'.",
)
@json_option
@logging_options
def measure(
    folders: tuple[Path, ...],
    output: Path | None,
    install: bool,
    area: float | None,
    hot_sigmas: float,
    kinds: tuple[str, ...],
    as_json: bool,
) -> None:
    """Measure a camera from folders of bias, dark and flat frames.

    Photon-transfer method of EMVA Standard 1288. Bias frames give read noise; flats in pairs, from
    dark to saturated, give gain, full well and linearity; darks give dark current, at two
    temperatures or more its doubling temperature too. The report says which results are still
    missing which frames.

    \b
    coldframe camera measure n1-iso1600
    coldframe camera measure flats darks bias -o n1.yaml --install
    coldframe camera measure steps --kind flat='steps/*'
    """  # fmt: skip
    from coldframe.camera.file import as_dict, save_camera
    from coldframe.camera.known import cameras_folder
    from coldframe.camera.measure import Options, measure_camera
    from coldframe.camera.needs import flats_missing
    from coldframe.camera.page import write_camera_page
    from coldframe.cautions import FOR_FLATS
    from coldframe.night import reader_for
    from coldframe.plugins import find_plugins

    registry = find_plugins()
    found = scan_folders(folders, registry, patterns_of(kinds))
    measured = measure_camera(
        found.frames,
        lambda info: reader_for(info, registry.readers).read_frame(info),
        Options(area, hot_sigmas),
        lambda what: tell(f"reading {what}"),
    )
    path = output or Path.cwd() / f"{slug(measured.camera.camera)}.yaml"
    written = [save_camera(measured.camera, path)]
    if install:
        place = cameras_folder() / f"{slug(measured.camera.camera)}.yaml"
        written.append(save_camera(measured.camera, place))
    report = write_camera_page(measured, path.with_suffix(".html"))
    flats = flats_missing(need for r in measured.settings for need in r.needs)
    cautions = [str(caution) for caution in FOR_FLATS] if flats else []
    if as_json:
        print_json(
            {
                **as_dict(measured.camera),
                "needs": {
                    r.label: [
                        {"result": n.result, "there": n.there, "frames": n.frames if n.there else n.missing}
                        for n in r.needs
                    ]
                    for r in measured.settings
                },
                "notes": {r.label: list(r.notes) for r in measured.settings if r.notes},
                "set_aside": [
                    {"frame": label, "reason": why}
                    for label, why in (*found.set_aside, *measured.set_aside)
                ],
                "cautions": cautions,
                "files": [str(p) for p in written],
                "report": str(report),
            }
        )  # fmt: skip
        return
    _print_measured(measured)
    tell_safety(cautions)
    for label, why in (*found.set_aside, *measured.set_aside):
        click.echo(f"set aside {label}: {why}")
    for p in written:
        click.echo(f"camera file: {p}")
    click.echo(f"report: {report}")


def slug(name: str) -> str:
    """A file name from a camera's name."""
    return "-".join("".join(c if c.isalnum() else " " for c in name).lower().split()) or "camera"


def _print_measured(measured: Measured) -> None:
    from coldframe.camera.page import plus_minus
    from coldframe.report.numbers import number

    click.echo(f"{measured.camera.camera}: {measured.camera.frames} frames measured")
    for result in measured.settings:
        s = result.setting
        rows = [["gain", plus_minus(s.gain, s.gain_error), "e-/ADU"]]
        rows.append(["read noise", plus_minus(s.read_noise, s.read_noise_error), "e-"])
        rows.append(["", plus_minus(s.read_noise_adu, s.read_noise_adu_error), "ADU"])
        least = "" if s.full_well_reached or s.full_well is None else "at least "
        rows.append(["full well", least + number(s.full_well), "e-"])
        rows.append(["white level", number(s.white, 5), "ADU"])
        if s.linearity:
            rows.append(["linearity error", "{:+.2f} to {:+.2f}".format(*s.linearity), "%"])
        for d in s.dark:
            at = "" if d.temperature is None else f" at {d.temperature:.1f} °C"
            if d.rate is not None:
                rows.append([f"dark current{at}", plus_minus(d.rate, d.rate_error), "e-/s"])
            else:
                rows.append(
                    [f"dark current{at}", plus_minus(d.rate_adu, d.rate_adu_error), "ADU/s"]
                )
            if d.hot_share is not None:
                rows.append([f"hot pixels{at}", f"{100 * d.hot_share:.3f}", "%"])
        rows.append(["dark current doubles in", plus_minus(s.doubling, s.doubling_error), "°C"])
        for name, per, unit in (("DSNU", s.dsnu, "e-"), ("PRNU", s.prnu, "%")):
            if per:
                shown = ", ".join(f"{c} {number(v, 3)}" for c, v in per.items())
                rows.append([name, shown, unit])
        click.echo()
        print_table(result.label or "frames", ["result", "value", "unit"], rows)
        for note in result.notes:
            click.echo(f"note: {note}")
        for need in result.needs:
            if not need.there:
                click.echo(f"not measured: {need.result}; needs {need.missing}")
    click.echo()


@command.command("list")
@json_option
def list_cameras(as_json: bool) -> None:
    """Camera files that every run reads.

    \b
    coldframe camera list
    """
    from coldframe.camera.file import as_dict
    from coldframe.camera.known import cameras_folder, find_cameras
    from coldframe.facts import show
    from coldframe.report.numbers import number

    cameras = find_cameras()
    if as_json:
        print_json([{"file": c.path, **as_dict(c)} for c in cameras])
        return
    if not cameras:
        click.echo(f"no camera file in {cameras_folder()}; 'coldframe camera measure' makes them")
        return
    rows = []
    for c in cameras:
        for s in c.settings:
            names = [n for n in ("iso", "gain_setting", "offset") if getattr(s, n) is not None]
            where = " · ".join(show(n, getattr(s, n)) for n in names)
            rows.append(
                [Path(c.path).name, c.camera, where, number(s.gain), number(s.read_noise),
                 number(s.white, 5)]
            )  # fmt: skip
    heads = ["file", "camera", "setting", "gain e-/ADU", "read noise e-", "white ADU"]
    print_table("Camera files", heads, rows)


command.add_command(advise)
