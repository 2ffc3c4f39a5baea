"""`-v` and `--log FILE`, before or after the command's name."""

from __future__ import annotations

import logging
import sys
from collections.abc import Callable
from typing import Any

import click

LOGGER = "coldframe"


def logging_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """Add the two options; they take effect as soon as they are read."""
    verbose = click.option(
        "-v", "--verbose", count=True, expose_value=False, callback=_more,
        help="Say more (twice: everything).",
    )  # fmt: skip
    log = click.option(
        "--log", type=click.Path(dir_okay=False), metavar="FILE", expose_value=False,
        callback=_log, help="Write a log to FILE.",
    )  # fmt: skip
    return verbose(log(function))


def set_up() -> None:
    """Warnings go to the terminal. Called once a process, before the command is read."""
    root = logging.getLogger(LOGGER)
    root.handlers.clear()
    root.setLevel(logging.DEBUG)
    root.propagate = False
    terminal = logging.StreamHandler(sys.stderr)
    terminal.setLevel(logging.WARNING)
    terminal.setFormatter(logging.Formatter("%(levelname)s: %(message)s"))
    root.addHandler(terminal)


def _more(_ctx: click.Context, _param: click.Parameter, count: int) -> None:
    if count:
        level = logging.INFO if count == 1 else logging.DEBUG
        logging.getLogger(LOGGER).handlers[0].setLevel(level)


def _log(_ctx: click.Context, _param: click.Parameter, file: str | None) -> None:
    if file is None:
        return
    try:
        handler = logging.FileHandler(file, encoding="utf-8")
    except OSError as error:
        raise click.UsageError(f"cannot write the log {file}: {error.strerror}") from None
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    logging.getLogger(LOGGER).addHandler(handler)
