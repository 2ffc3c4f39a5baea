"""How listings and tables reach the terminal, or a program that reads JSON."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, Literal, TextIO

import click

from coldframe.memory import bytes_text as bytes_text

if TYPE_CHECKING:
    from rich.console import Console

json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON.")


def print_json(value: Any) -> None:
    """JSON on standard output, stable in order."""
    click.echo(json.dumps(value, indent=2, ensure_ascii=False, default=str))


def console(*, stderr: bool = False, width: int | None = None) -> Console:
    """Where styled text goes. NO_COLOR leaves no style at all, bold ones neither."""
    from rich.console import Console

    colours: Literal["auto"] | None = None if os.environ.get("NO_COLOR") else "auto"
    return Console(stderr=stderr, width=width, color_system=colours)


def tell(text: str) -> None:
    """A line for people while work goes on. A reader who has left does not end the work."""
    try:
        click.echo(text.rstrip(), err=True)
    except BrokenPipeError:
        discard(sys.stderr)


def tell_safety(cautions: Iterable[object], *, err: bool = False) -> None:
    """Cautions, a line each."""
    for caution in cautions:
        click.echo(f"safety: {caution}", err=err)


def discard(stream: TextIO) -> None:
    """What is written to a stream from now on is lost: whoever read it has left."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def print_table(title: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """A table that folds long cells into the width of a terminal.

    Coloured on a terminal. In a pipe or a file each row is one line without blanks at its end,
    so that other programs find what they look for; a COLUMNS in the environment folds it there too.
    """
    from rich.table import Table
    from rich.text import Text

    screen = console()
    rows = [[str(cell) for cell in row] for row in rows]
    if not screen.is_terminal:
        rows = [[" ".join(cell.split()) for cell in row] for row in rows]
        if not os.environ.get("COLUMNS", "").isdigit():
            longest = sum(max(map(len, column)) for column in zip(heads, *rows, strict=True))
            # Wide letters take two places.
            screen = console(width=2 * longest + 2 * len(heads) + len(title) + 1)
    table = Table(
        title=title, title_justify="left", title_style="bold", header_style="bold cyan",
        box=None, pad_edge=False,
    )  # fmt: skip
    for head in heads:
        table.add_column(head, overflow="fold")
    for row in rows:
        table.add_row(*map(Text, row))
    with screen.capture() as drawn:
        screen.print(table)
    click.echo("\n".join(line.rstrip() for line in drawn.get().splitlines()), color=True)


def seconds_text(seconds: float) -> str:
    """A duration for people."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"
