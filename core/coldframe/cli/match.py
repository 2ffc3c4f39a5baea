"""`coldframe match`: which masters serve which lights, and why."""

from __future__ import annotations

from typing import Any

import click

from coldframe.cli.log import logging_options
from coldframe.cli.options import make_request, planning_options
from coldframe.cli.show import json_option, print_json, print_table


@click.command("match")
@planning_options
@click.option("--all", "show_all", is_flag=True, help="Show every candidate, not the best two.")
@json_option
@logging_options
def command(as_json: bool, show_all: bool, **asked: Any) -> None:
    """Show the master chosen for each light, the runner-up, and why, without running.

    Frames that the same masters serve for the same reasons are shown as one.

    \b
    coldframe match 2026-03-14
    coldframe match 2026-03-14 --all
    coldframe match 2026-03-14 --no-library --json
    """
    from coldframe.cli.counting import prepare_shown
    from coldframe.explain import explain
    from coldframe.plugins import find_plugins

    prepared = prepare_shown(make_request(**asked), find_plugins())
    found = explain(prepared.plan)
    if as_json:
        print_json({"recipe": prepared.recipe.name, "why": prepared.why, "matches": found})
        return
    click.echo(f"Recipe {prepared.recipe.name}: {prepared.why}\n")
    print_table(
        "Masters",
        ["step", "frames", "need", "chosen", "why", "runner-up"],
        [
            [
                f["step"],
                f"{f['frames']} × {f['group']}",
                f["kind"],
                f["chosen"]["master"] if f["chosen"] else "none",
                f["why"],
                f["runner_up_words"],
            ]
            for f in found
        ],
    )
    if show_all:
        for f in found:
            click.echo()
            print_table(
                f"{f['step']}: {f['kind']} for {f['frames']} × {f['group']}",
                ["rank", "master", "distance", "fits", "what differs"],
                [
                    [c["rank"], c["master"], f"{c['total']:.2f}", "yes" if c["fits"] else "no",
                     c["words"]]
                    for c in f["candidates"]
                ],
            )  # fmt: skip
    click.echo(
        "\nA distance is the sum of what differs, each over its tolerance; see docs/library.md"
    )
