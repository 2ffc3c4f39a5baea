"""`coldframe plugin`: start a plugin of your own."""

from __future__ import annotations

from pathlib import Path

import click

from coldframe.cli.show import json_option, print_json
from coldframe.template.write import KINDS, write_plugin


@click.group("plugin")
def command() -> None:
    """Write steps of your own.

    \b
    coldframe plugin new crisp-mean --kind stack
    """


@command.command("new")
@click.argument("name")
@click.option(
    "--kind",
    type=click.Choice(KINDS),
    default="frame",
    show_default=True,
    help="frame: one frame to one; stack: many frames to one; measure: one frame to numbers.",
)
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    help="Folder. [default: coldframe-NAME, here]",
)
@json_option
def new(name: str, kind: str, output: Path | None, as_json: bool) -> None:
    """Write a package with a small working step NAME, its tests and a recipe that uses it.

    \b
    coldframe plugin new level-sky
    coldframe plugin new crisp-mean --kind stack -o work/crisp
    """
    folder = output or Path(f"coldframe-{name}")
    written = write_plugin(name, kind, folder)
    if as_json:
        print_json({"folder": str(folder), "files": [str(path) for path in written]})
        return
    for path in written:
        click.echo(path)
    click.echo(f"next: cd {folder}; pip install -e '.[test]'; pytest")
