"""Coldframe as a stranger gets it: from its wheel, in an environment of its own, without what
tests need. `python tests/core/plain_install.py FOLDER` makes all of it in FOLDER; .ci/run does.

The wheel is built from the source distribution, so neither may lack a file. Then every module is
imported, every command asked for its help, the README's demo and a comparison of two runs made, and
the figures of the pages compared with what was printed.
"""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

from page_figures import compare_pages, outputs

ROOT = Path(__file__).parents[2]
HOMES = ("core/", "plugins/", "recipes/")
"""Folders of the repository whose every file is installed."""

EVERY_MODULE = """
import importlib, pkgutil
for name in ("coldframe", "coldframe_steps"):
    for found in pkgutil.walk_packages(importlib.import_module(name).__path__, f"{name}."):
        if not found.name.endswith("__main__"):
            importlib.import_module(found.name)
"""

EVERY_HELP = """
import sys
import click
from coldframe.cli.main import cli, run_command_line

def walk(command, path):
    code = run_command_line([*path, "--help"])
    if code:
        sys.exit(f"coldframe {' '.join(path)} --help ended with {code}")
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            walk(command.get_command(context, name), (*path, name))

walk(cli, ())
"""


def main(folder: Path) -> None:
    """Build, install and try. Ends with a message where anything is amiss."""
    folder.mkdir(parents=True, exist_ok=True)
    wheel = _built(folder)
    _nothing_is_missing(wheel)
    tools = folder / "venv/bin"
    _do(sys.executable, "-m", "venv", folder / "venv")
    _do(tools / "pip", "install", "--quiet", wheel)
    desk = folder / "desk"
    desk.mkdir()
    _do(tools / "python", "-c", EVERY_MODULE, cwd=desk)
    _do(tools / "python", "-c", EVERY_HELP, cwd=desk, quiet=True)
    outputs(tools / "coldframe", desk)
    if wrong := compare_pages(desk):
        wrong.append("DEVELOPERS.md tells how to put today's figures into the pages")
        sys.exit("\n".join(wrong))


def _built(folder: Path) -> Path:
    """The wheel, made of the source distribution and of nothing else."""
    build = f"from setuptools import build_meta; build_meta.build_sdist({str(folder)!r})"
    _do(sys.executable, "-c", build, cwd=ROOT, quiet=True)
    (sdist,) = folder.glob("*.tar.gz")
    pip = (sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps")
    _do(*pip, "--wheel-dir", folder, sdist)
    (wheel,) = folder.glob("*.whl")
    return wheel


def _nothing_is_missing(wheel: Path) -> None:
    inside = set(zipfile.ZipFile(wheel).namelist())
    wanted = {name.partition("/")[2] for name in _tracked(*HOMES)}
    if lacking := wanted - inside:
        sys.exit(f"the wheel lacks {sorted(lacking)}")


def _tracked(*paths: str) -> list[str]:
    told = subprocess.run(
        ["git", "ls-files", *paths], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return [name for name in told.stdout.splitlines() if (ROOT / name).exists()]


def _do(*command: str | Path, cwd: Path | None = None, quiet: bool = False) -> None:
    env = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    out = subprocess.DEVNULL if quiet else None
    done = subprocess.run([*map(str, command)], cwd=cwd, env=env, stdout=out, check=False)
    if done.returncode:
        sys.exit(f"this ended with {done.returncode}: {' '.join(map(str, command))[:300]}")


if __name__ == "__main__":
    main(Path(sys.argv[1]).resolve())
