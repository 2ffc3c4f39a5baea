"""Every command and snippet of the pages works as it is written.

`docs_blocks` tells the marks a page may use, `docs_sandbox` what the names in commands stand for.
Blocks that cannot run here are marked in the page with the reason, and show as skipped: -rs
lists them.
"""

from __future__ import annotations

import csv
import importlib
import json
import re
import tomllib
from pathlib import Path

import click
import jsonschema
import pytest
import yaml
from docs_blocks import PAGES, Block, blocks, inline_commands
from docs_sandbox import Nights, Sandbox

from coldframe.camera.file import load_camera
from coldframe.cli.main import cli
from coldframe.nights_file import NIGHTS_SCHEMA
from coldframe.notes_file import parse_notes
from coldframe.plugins import find_plugins
from coldframe.recipe import load_recipe
from coldframe.schema import recipe_schema

BLOCKS = {page: blocks(page) for page in PAGES}
NOT_RUN = [b for page in PAGES for b in BLOCKS[page] if "not run" in b.marks]
SHOWN_ONLY = ("", "text", "tex", "ini", "html", "json", "toml", "csv", "math", "{toctree}")


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory, demo_night) -> Nights:
    return Nights(tmp_path_factory.mktemp("nights"), demo_night)


@pytest.mark.parametrize("page", [p for p in PAGES if BLOCKS[p]], ids=lambda page: page.name)
def test_output_is_compared_with_what_is_printed_or_called_an_example(page: Path) -> None:
    for block in BLOCKS[page]:
        if block.language == "text" and "snippet:" not in block.text:
            assert {"printed by", "an example"} & {*block.marks}, f"{block.place} has no mark"


@pytest.mark.parametrize("page", [p for p in PAGES if BLOCKS[p]], ids=lambda page: page.name)
def test_page(page: Path, nights: Nights, tmp_path: Path, monkeypatch, capfd) -> None:
    sandbox = Sandbox(tmp_path / "desk", nights, monkeypatch)
    for block in BLOCKS[page]:
        if "not run" in block.marks:
            continue
        sandbox.furnish(block)
        if "saved as" in block.marks:
            (sandbox.home / block.marks["saved as"]).write_text(block.text, encoding="utf-8")
        if block.language in ("sh", "console", "bash"):
            for line in block.commands:
                capfd.readouterr()
                code = sandbox.type(line)
                said = "\n".join(capfd.readouterr())
                assert code == 0, (
                    f"{block.place}: '{line}' ended with {code} (docs_sandbox.py tells what names "
                    f"stand for):\n{said[-3000:]}"
                )
        elif block.language == "yaml":
            check_yaml(block, tmp_path)
        elif block.language == "python":
            python = [b for b in BLOCKS[page] if b.language == "python" and b.line <= block.line]
            run_python(python, sandbox.home, monkeypatch)
        else:
            check_shown(block)


@pytest.mark.parametrize("block", NOT_RUN, ids=lambda block: block.place)
def test_not_run(block: Block) -> None:
    reason = block.marks["not run"]
    assert len(reason.split()) >= 3, f"{block.place}: say why it is not run"
    pytest.skip(reason)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_commands_in_running_text_exist(page: Path) -> None:
    for line, text in inline_commands(page):
        check_words(text.split()[1:], f"{page.name}:{line}: `{text}`")


def run_python(parts: list[Block], folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The page's Python up to here as one module, and then the tests in its last part."""
    name = f"snippet_{len(parts)}_{parts[0].page.stem.replace('-', '_')}"
    (folder / f"{name}.py").write_text("\n".join(part.text for part in parts), encoding="utf-8")
    monkeypatch.syspath_prepend(folder)
    module = importlib.import_module(name)
    for test in re.findall(r"^def (test_\w+)\(\)", parts[-1].text, re.M):
        getattr(module, test)()


def check_yaml(block: Block, folder: Path) -> None:
    """Read the block with the code that reads such files."""
    data = yaml.safe_load(block.text)
    what = block.marks.get("is") or _guess(data)
    path = folder / "snippet.yaml"
    path.write_text(block.text, encoding="utf-8")
    try:
        if what == "recipe":
            load_recipe(path, find_plugins())
        elif what == "recipe part":
            head = "recipe: 1\nname: snippet\nabout: A part of a recipe\nextends: camera-lens\n"
            path.write_text(head + block.text, encoding="utf-8")
            load_recipe(path, find_plugins())
        elif what == "notes":
            parse_notes(block.text, "notes.yaml")
        elif what == "nights":
            jsonschema.validate([str(night) for night in data], NIGHTS_SCHEMA)
        elif what == "camera file":
            load_camera(path)
        else:
            raise AssertionError(f"a YAML block cannot be '{what}'")
    except Exception as error:
        raise AssertionError(f"{block.place}: not a good {what}: {error}") from error


def _guess(data: object) -> str:
    assert isinstance(data, dict)
    if "recipe" in data:
        return "recipe"
    if "camera-file" in data:
        return "camera file"
    parts = recipe_schema(find_plugins())["properties"]
    return "recipe part" if set(data) <= set(parts) else "notes"


def check_shown(block: Block) -> None:
    """What is not run must at least be what it is called."""
    assert block.language in SHOWN_ONLY, f"{block.place}: no test knows '{block.language}' blocks"
    if block.language == "toml":
        tomllib.loads(block.text)
    elif block.language == "json":
        json.loads(block.text)
    elif block.language == "csv":
        assert len({len(row) for row in csv.reader(block.text.splitlines())}) == 1, block.place


def check_words(words: list[str], where: str) -> None:
    """The command is there, and takes the options that are named."""
    command: click.Command = cli
    while words and isinstance(command, click.Group):
        found = command.get_command(click.Context(command), words[0])
        if found is None:
            assert words[0].startswith("-") or words[0].isupper(), f"{where}: no such command"
            break
        command, words = found, words[1:]
    known = {option for param in command.params for option in (*param.opts, *param.secondary_opts)}
    known |= {"--help", "-h", "--version"}
    for word in words:
        option = word.strip("[],.").split("=")[0]
        if option.startswith("-") and option.strip("-.…"):
            assert option in known, f"{where}: '{option}' is not an option of it"
