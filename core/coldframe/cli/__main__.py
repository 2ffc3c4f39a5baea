"""`python -m coldframe.cli` is the `coldframe` command."""

from coldframe.cli.main import main

main()
