"""Entry point: finds the command asked for and imports only that."""

from __future__ import annotations

import importlib
import itertools
import json
import logging
import signal
import sys
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import click

from coldframe.cli.log import logging_options, set_up
from coldframe.cli.show import discard, tell
from coldframe.errors import ColdframeError, Problem
from coldframe.renamed import nearest, now_called

COMMANDS = {
    "run": "Make stacks from nights of frames.",
    "plan": "Show what a run would do, without running.",
    "watch": "Follow a night while the camera writes it.",
    "explain": "Show how a product came about, back to the camera's frames.",
    "match": "Show which masters serve which lights, and why.",
    "library": "Keep masters for later nights.",
    "compare": "Say which of two runs is deeper, sharper, flatter.",
    "inspect": "Say what is wrong with each frame, in words and numbers.",
    "recipe": "List, show and check recipes.",
    "store": "See how large a run's store is, and prune it.",
    "steps": "Show every installed step, reader and writer.",
    "plugin": "Start a plugin with a step of your own.",
    "camera": "Measure a camera; advise on exposure.",
    "shotlist": "List the calibration frames that are still to be shot.",
    "scale": "Predict run times for more frames and more workers.",
    "demo": "Make an invented night and run the main job on it.",
    "completion": "Print the script that completes commands in your shell.",
}

INTERRUPTED, TERMINATED = 130, 143


class ReaderLeft(Exception):  # noqa: N818 - it is an outcome, not an error
    """Whoever read our output (a pager, head) has closed it. Click makes an exit with 1 of the
    BrokenPipeError itself."""


class Lazy(click.Group):
    """Commands whose modules are imported when they are called, so that help is quick."""

    def make_context(self, *args: Any, **more: Any) -> click.Context:
        try:
            return super().make_context(*args, **more)  # prints what --help asks for
        except BrokenPipeError:
            raise ReaderLeft from None

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            raise ReaderLeft from None

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = importlib.import_module(f"coldframe.cli.{cmd_name}").command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            hint = nearest(args[0], COMMANDS, "commands", "command")
            raise click.UsageError(error.message.rstrip(".") + hint, ctx) from None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=Lazy, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="coldframe")
@logging_options
def cli() -> None:
    """From a night of raw frames to one clean, linear stack.

    \b
    coldframe demo                     make an invented night and stack it
    coldframe plan NIGHT               what would be done with a night
    coldframe run NIGHT -o OUT         do it
    """


def main(argv: Sequence[str] | None = None) -> None:
    """Run the command line and leave with 0 (done), 1 (the work failed) or 2 (wrong use)."""
    signal.signal(signal.SIGTERM, _terminate)  # in the background of a script there is no Ctrl-C
    sys.exit(run_command_line(argv))


def run_command_line(argv: Sequence[str] | None = None) -> int:
    """The exit code of one command."""
    set_up()
    words = [*(sys.argv[1:] if argv is None else argv)]
    try:
        code = _do(words)
        sys.stdout.flush()  # while a reader who has left can still be noticed
        return code
    except (BrokenPipeError, ReaderLeft):
        discard(sys.stdout)
        return 0


def _do(words: list[str]) -> int:
    try:
        result: Any = cli.main(args=words, prog_name="coldframe", standalone_mode=False)
        return result if isinstance(result, int) else 0
    except (click.exceptions.Abort, KeyboardInterrupt) as stop:
        stopped = "stopped. Finished work is kept: the same command goes on."
        tell(f"\ncoldframe: {stopped}")
        ended = isinstance(stop.__cause__ or stop, _Terminated)
        return _failed(words, TERMINATED if ended else INTERRUPTED, stopped)
    except click.ClickException as error:
        wrong = _with_new_name(error)
        wrong.show()
        return _failed(words, 2, wrong.format_message())
    except ColdframeError as error:
        tell(error.told())
        return _failed(words, error.exit_code, str(error), getattr(error, "problems", ()))
    except (BrokenPipeError, ReaderLeft):
        raise
    except Exception as error:
        logging.getLogger("coldframe").debug("unexpected", exc_info=True)
        unexpected = (
            f"something unexpected failed ({type(error).__name__}: {error}). This is a "
            "fault in Coldframe or a plugin; '-vv' before the command shows where."
        )
        tell(f"coldframe: {unexpected}")
        return _failed(words, 1, unexpected)


def _with_new_name(error: click.ClickException) -> click.ClickException:
    if not (isinstance(error, click.NoSuchOption) and error.ctx):
        return error
    path = error.ctx.command_path.partition(" ")[2]
    renamed = now_called(error.option_name, f"command {path}", "command")
    return click.UsageError(error.message.rstrip(".") + renamed, error.ctx) if renamed else error


class _Terminated(KeyboardInterrupt):
    """The signal TERM: to be acted on as Ctrl-C is."""


def _terminate(_number: int, _frame: object) -> None:
    raise _Terminated


def _failed(words: Sequence[str], code: int, message: str, problems: Sequence[Problem] = ()) -> int:
    """The exit code. Under --json the error is told on standard output too, as one line."""
    if "--json" in itertools.takewhile(lambda word: word != "--", words):
        facts = {"exit_code": code, "message": message, "problems": [asdict(p) for p in problems]}
        click.echo(json.dumps({"error": facts}, ensure_ascii=False))
    return code
