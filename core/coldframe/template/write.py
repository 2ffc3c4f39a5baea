"""Writes a new plugin from the files in this folder."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path
from string import Template

from coldframe.errors import UsageError

KINDS = ("frame", "stack", "measure")
NAME = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")


def write_plugin(name: str, kind: str, folder: Path) -> list[Path]:
    """Write an installable package with one working step of that kind, and return its files.

    Parameters
    ----------
    name : of the step, such as "crisp-mean". kind : "frame", "stack" or "measure".
    folder : made; must not be there, or be empty.

    Raises
    ------
    UsageError
        The name cannot be a step's, or the folder holds files.
    """
    if not NAME.fullmatch(name):
        raise UsageError(f"'{name}' cannot name a step; use a-z, 0-9 and -, such as crisp-mean")
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"{folder} is there already; name another folder with -o")
    package = f"coldframe_{name.replace('-', '_')}"
    words = {
        "name": name,
        "dist": f"coldframe-{name}",
        "package": package,
        "cls": "".join(word.capitalize() for word in name.split("-")),
    }
    targets = {
        "pyproject.toml": "pyproject.toml",
        "README.md": "README.md",
        f"{kind}.yaml": "recipe.yaml",
        "package.py": f"src/{package}/__init__.py",
        "plugin.py": f"src/{package}/plugin.py",
        f"{kind}.py": f"src/{package}/step.py",
        f"{kind}_test.py": "tests/test_step.py",
    }
    written = []
    for source, target in targets.items():
        text = files(__package__).joinpath(f"{source}.in").read_text(encoding="utf-8")
        path = folder / target
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(Template(text).substitute(words), encoding="utf-8")
        written.append(path)
    return written
