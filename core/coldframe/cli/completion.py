"""`coldframe completion`: the script that makes a shell complete Coldframe's commands."""

from __future__ import annotations

import click

SHELLS = ("bash", "zsh", "fish")


@click.command("completion")
@click.argument("shell", type=click.Choice(SHELLS))
def command(shell: str) -> None:
    """Print the script that lets a shell complete commands, options, recipes and steps.

    \b
    coldframe completion bash >> ~/.bashrc
    coldframe completion zsh >> ~/.zshrc
    coldframe completion fish > ~/.config/fish/completions/coldframe.fish
    """
    from click.shell_completion import get_completion_class

    from coldframe.cli.main import cli

    maker = get_completion_class(shell)
    assert maker is not None
    click.echo(maker(cli, {}, "coldframe", "_COLDFRAME_COMPLETE").source())
