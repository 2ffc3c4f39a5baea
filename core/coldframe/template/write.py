"""Writes a new plugin from the files in this folder."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from string import Template

from coldframe.errors import UsageError

NAME = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")


@dataclass(frozen=True, slots=True)
class _Kind:
    """What differs from kind to kind. plugin : the template of plugin.py."""

    what: str
    module: str
    plugin: str
    found: str
    versioned: bool = True


_STEP = _Kind("step", "step", "step_plugin.py", "coldframe steps ${name}")
KINDS: Mapping[str, _Kind] = {
    "step": _STEP,
    "stack": _STEP,
    "measure": _STEP,
    "reader": _Kind("reader", "reader", "reader_plugin.py", "coldframe steps ${name}"),
    "report": _Kind("report section", "section", "report_plugin.py", "", versioned=False),
}
FOUND = "# Coldframe has found it"
VERSION = """ Raise the ${what}'s `version`
whenever the same input would give other bytes: finished work is stored under a key made from it."""


def write_plugin(name: str, kind: str, folder: Path) -> list[Path]:
    """Write an installable package with one working addition of that kind, and return its files.

    Parameters
    ----------
    name : of the step, reader or section, such as "crisp-mean". kind : one of KINDS.
    folder : made; must not be there, or be empty.

    Raises
    ------
    UsageError
        The name cannot be a step's, or the folder holds files.
    """
    if not NAME.fullmatch(name):
        raise UsageError(f"'{name}' cannot name a plugin; use a-z, 0-9 and -, such as crisp-mean")
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"{folder} is there already; name another folder with -o")
    chosen, package = KINDS[kind], f"coldframe_{name.replace('-', '_')}"
    words = {
        "name": name,
        "dist": f"coldframe-{name}",
        "package": package,
        "cls": "".join(word.capitalize() for word in name.split("-")),
        "what": chosen.what,
        "module": chosen.module,
        "found": "",
    }
    if chosen.found:
        words["found"] = f"\n{Template(chosen.found).substitute(words):<43} {FOUND}"
    words["version"] = Template(VERSION).substitute(words) if chosen.versioned else ""
    targets = {
        "pyproject.toml": "pyproject.toml",
        "README.md": "README.md",
        f"{kind}.yaml": "recipe.yaml",
        "package.py": f"src/{package}/__init__.py",
        chosen.plugin: f"src/{package}/plugin.py",
        f"{kind}.py": f"src/{package}/{chosen.module}.py",
        f"{kind}_test.py": f"tests/test_{chosen.module}.py",
    }
    written = []
    for source, target in targets.items():
        text = files(__package__).joinpath(f"{source}.in").read_text(encoding="utf-8")
        path = folder / target
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(Template(text).substitute(words), encoding="utf-8")
        written.append(path)
    return written
