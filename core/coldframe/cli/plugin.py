"""`coldframe plugin`: start a plugin of your own."""

from __future__ import annotations

from pathlib import Path

import click

from coldframe.cli.show import json_option, print_json
from coldframe.renamed import now_called
from coldframe.template.write import KINDS, write_plugin


class _KindChoice(click.Choice[str]):
    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> str:
        renamed = now_called(value, "command plugin new --kind")
        if renamed:
            self.fail(f"'{value}' is not known here{renamed}", param, ctx)
        return super().convert(value, param, ctx)


@click.group("plugin")
def command() -> None:
    """Write steps, readers and report sections of your own.

    \b
    coldframe plugin new crisp-mean --kind stack
    """


@command.command("new")
@click.argument("name")
@click.option(
    "--kind",
    type=_KindChoice(list(KINDS)),
    default="step",
    show_default=True,
    help="step: one frame to one; stack: many frames to one; measure: one frame to numbers; "
    "reader: a file format; report: a part of the report.",
)
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    help="Folder. [default: coldframe-NAME, here]",
)
@json_option
def new(name: str, kind: str, output: Path | None, as_json: bool) -> None:
    """Write a package with a small working step, reader or report section NAME, its tests and a
    recipe to try it with.

    \b
    coldframe plugin new level-sky
    coldframe plugin new crisp-mean --kind stack -o work/crisp
    coldframe plugin new numpy-files --kind reader
    """
    folder = output or Path(f"coldframe-{name}")
    written = write_plugin(name, kind, folder)
    if as_json:
        print_json({"folder": str(folder), "files": [str(path) for path in written]})
        return
    for path in written:
        click.echo(path)
    click.echo(f"next: cd {folder}; pip install -e '.[test]'; pytest")
