"""How listings and tables reach the terminal, or a program that reads JSON."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

import click

from coldframe.memory import bytes_text as bytes_text

json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON.")


def print_json(value: Any) -> None:
    """JSON on standard output, stable in order."""
    click.echo(json.dumps(value, indent=2, ensure_ascii=False, default=str))


def print_table(title: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """A table that folds long cells on a terminal and stays whole in a pipe.

    Coloured on a terminal, unless NO_COLOR is set; plain text elsewhere.
    """
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console()
    if not console.is_terminal:
        console = Console(width=200)
    table = Table(
        title=title, title_justify="left", title_style="bold", header_style="bold cyan",
        box=None, pad_edge=False,
    )  # fmt: skip
    for head in heads:
        table.add_column(head, overflow="fold")
    for row in rows:
        table.add_row(*(Text(str(cell)) for cell in row))
    console.print(table)


def seconds_text(seconds: float) -> str:
    """A duration for people."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"
