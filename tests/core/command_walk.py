"""Every command and subcommand of the command line."""

from __future__ import annotations

from collections.abc import Iterator

import click

from coldframe.cli.main import cli


def walk(
    command: click.Command = cli, path: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """(words after `coldframe`, command), groups before what is in them."""
    if path:
        yield path, command
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            found = command.get_command(context, name)
            assert found is not None
            yield from walk(found, (*path, name))


EVERY = dict(walk())
LEAVES = {path: each for path, each in EVERY.items() if not isinstance(each, click.Group)}


def name_of(path: tuple[str, ...]) -> str:
    """For test ids."""
    return " ".join(path)
