"""`coldframe demo`: an invented night, the main job on it, and how close the result is."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from coldframe.cli.log import logging_options
from coldframe.cli.options import Size, make_request
from coldframe.cli.show import json_option, print_json, tell
from coldframe.session import default_memory, default_workers

KINDS = ("colour", "mono")


@click.command("demo")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), default="demo-night")
@click.option(
    "--kind",
    type=click.Choice((*KINDS, "both")),
    default="colour",
    show_default=True,
    help="colour: camera raw files; mono: FITS files of a cooled camera with filters.",
)
@click.option(
    "--size",
    type=click.Choice(("tiny", "small", "full")),
    default="small",
    show_default=True,
    help="full makes 24-megapixel frames.",
)
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Another sky.")
@click.option(
    "--nights",
    type=click.IntRange(1, 19),
    default=1,
    show_default=True,
    help="So many nights on one target, as folders FOLDER/night-1 and so on.",
)
@click.option("--only-make", is_flag=True, help="Make the frames, do not run.")
@click.option(
    "--workers",
    type=click.IntRange(1),
    default=default_workers(),
    show_default="every core",
    help="Tasks at once.",
)
@click.option(
    "--memory",
    type=Size(),
    default=default_memory(),
    show_default="half of the machine's",
    help="Limit, such as 2GiB.",
)
@json_option
@logging_options
def command(
    folder: Path,
    kind: str,
    size: str,
    seed: int,
    nights: int,
    only_make: bool,
    workers: int,
    memory: int,
    as_json: bool,
) -> None:
    """Make an invented night by simulation and run the main job on it.

    Camera and sky are invented. Since the truth is known, the demo says how close the result
    comes to it.

    \b
    coldframe demo
    coldframe demo my-night --kind mono
    coldframe demo big --size full
    coldframe demo season --nights 3
    """  # fmt: skip
    results = []
    for each in KINDS if kind == "both" else (kind,):
        place = folder / each if kind == "both" else folder
        results.append(_one(place, each, size, seed, nights, only_make, workers, memory, as_json))
    if as_json:
        print_json(results)


def _one(
    folder: Path, kind: str, size: str, seed: int, nights: int, only_make: bool, workers: int,
    memory: int, as_json: bool,
) -> dict[str, Any]:  # fmt: skip
    from coldframe.cli.counting import prepare_shown
    from coldframe.cli.run import execute, print_summary, summary
    from coldframe.demo.night import make_night
    from coldframe.demo.run_score import score_run
    from coldframe.demo.score import summary as in_words
    from coldframe.demo.truth import together
    from coldframe.plugins import find_plugins

    places = [folder] if nights == 1 else [folder / f"night-{n + 1}" for n in range(nights)]
    truths = []
    for number, place in enumerate(places):
        tell(f"making an invented {kind} night in {place} ...")
        truths.append(make_night(place, size, seed, kind, number, threads=workers))
    truth = together(truths)
    if only_make:
        if not as_json:
            named = " ".join(map(str, places))
            click.echo(f"{len(truth.shots)} frames in {folder}; next: coldframe run {named}")
        return {"folder": str(folder), "frames": len(truth.shots)}
    registry = find_plugins()
    output = folder.parent / f"{folder.name}-stack"
    request = make_request(tuple(places), None, (), output, None, workers, memory, no_library=True)
    prepared = prepare_shown(request, registry)
    record = execute(prepared, registry)
    # A tiny field has too few stars to be measured against the truth.
    scored = score_run(record, truth) if size != "tiny" else {}
    if as_json:
        return {**summary(record, output), "scores": scored}
    print_summary(record, output)
    if not scored:
        click.echo("a tiny night has too few stars to be compared with the truth")
    for label, scores in scored.items():
        click.echo(f"\nAgainst the known truth, {label}:")
        for line in in_words(scores):
            click.echo(f"  {line}")
    return {}
