"""The reference is made from the code; whatever people may use without a description fails."""

import importlib.util
import inspect
import re
import sys
from pathlib import Path
from types import ModuleType

import click
import pytest
import toy
from command_walk import EVERY, name_of

from coldframe import hooks, notes_values
from coldframe.notes_parser import CLOCK, OWN, READING
from coldframe.plugins import find_plugins
from coldframe.schema import recipe_schema
from coldframe.step import Column
from coldframe.testing import READER_RULES, RULES, SECTION_RULES
from coldframe.vetting.thresholds import VET_PARAMS

DOCS = Path(__file__).parents[2] / "docs"


def load() -> ModuleType:
    """docs/reference_pages.py, which is no part of the package."""
    spec = importlib.util.spec_from_file_location("reference_pages", DOCS / "reference_pages.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["reference_pages"] = module
    spec.loader.exec_module(module)
    return module


reference = load()


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    written = reference.write_reference(tmp_path_factory.mktemp("reference"))
    return {path.stem: path.read_text(encoding="utf-8") for path in written}


@pytest.mark.parametrize("path", EVERY, ids=name_of)
def test_every_command_and_option_is_there(path, pages):
    name = f"coldframe {' '.join(path)}"
    _, found, rest = pages["commands"].partition(f"\n## {name}\n")
    assert found
    text = rest.partition("\n## ")[0]
    for param in EVERY[path].params:
        if isinstance(param, click.Option):
            assert param.opts[-1] in text


def test_every_step_parameter_number_and_source_is_there(pages):
    for name, step in find_plugins().steps.items():
        if not step.__module__.startswith("coldframe_steps."):
            continue
        text = pages["steps"].partition(f"\n## {name}\n")[2].partition("\n## ")[0]
        for word in (*step.params, *step.columns):
            assert f"\n| `{word}` | " in text
        for source in step.sources:
            assert source in text


def test_every_key_of_a_recipe_is_there(pages):
    schema = recipe_schema(find_plugins())["properties"]
    steps = schema["steps"]["additionalProperties"]["properties"]
    for word in (
        *schema,
        *(f"steps.NAME.{key}" for key in steps),
        *(f"inspect.{k}" for k in VET_PARAMS),
    ):
        assert f"\n| `{word}` | " in pages["recipe"], word
    assert "\n| `steps.NAME.match.dark.interpolate_span` | " in pages["recipe"]


def test_every_hook_is_there_with_its_signature(pages):
    found = [f for name, f in vars(hooks).items() if name.startswith("coldframe_")]
    for hook in found:
        assert f"{hook.__name__}{inspect.signature(hook)}" in pages["hooks"]
        assert inspect.getdoc(hook) in pages["hooks"]


def test_what_a_plugin_may_use_is_there(pages):
    heads = set(re.findall(r"^### (\w+)$", pages["api"], re.M))
    assert {"Frame", "FrameInfo", "Flag", "StackStep", "Tile", "SetAside", "check_step"} <= heads
    assert "atomic" in heads
    assert {"FrameReader", "ProductWriter", "StarGauge", "Section"} <= heads
    assert "StackStep.halo_rows(self, params" in pages["api"]


def test_every_key_of_a_notes_file_is_on_its_page():
    page = (DOCS / "notes-file.md").read_text(encoding="utf-8")
    for key in (*CLOCK, *OWN, *READING, *notes_values.FACTS, "temperatures", "kinds", "files"):
        assert re.search(rf"\b{key}\b", page), key


def test_every_rule_of_the_kit_is_on_its_page():
    page = (DOCS / "plugins.md").read_text(encoding="utf-8")
    for name, says in (RULES | READER_RULES | SECTION_RULES).items():
        assert f"| `{name}` | {says.strip().splitlines()[0]} |" in page


class Whole(toy.Add):
    """Adds a number."""

    sources = ("common practice, no source",)


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ({"about": " "}, "step 'add' is not documented"),
        ({"__doc__": None}, "its class is not documented"),
        ({"params": {"amount": {"description": "", "default": 1}}}, "parameter 'amount'"),
        ({"columns": {"level": Column("", "mean")}}, "unit of level"),
        ({"columns": {"level": Column("ADU", "")}}, "level is not documented"),
        ({"sources": ()}, "names no sources"),
    ],
    ids=["about", "docstring", "parameter", "unit", "column", "sources"],
)
def test_a_step_without_a_description_is_refused(fault, said):
    assert reference.one_step(Whole)
    with pytest.raises(reference.UndocumentedError, match=said):
        reference.one_step(type("Broken", (Whole,), {"__doc__": Whole.__doc__, **fault}))


def test_a_command_or_option_without_help_is_refused():
    option = click.Option(["--thing"])
    for command, said in (
        (click.Command("bare"), "command 'coldframe bare' is not documented"),
        (click.Command("half", help="Half.", params=[option]), "coldframe half --thing is not"),
    ):
        root = click.Group("coldframe", [command], help="Root.")
        with pytest.raises(reference.UndocumentedError, match=said):
            reference.commands(root)


def test_a_key_or_function_without_a_description_is_refused(monkeypatch):
    with pytest.raises(reference.UndocumentedError, match="seed is not documented"):
        reference.recipe({"properties": {"seed": {"type": "integer"}}})
    module = ModuleType("bare_module", "A module.")
    exec("def bare(): pass", vars(module))
    module.bare.__module__ = "bare_module"
    monkeypatch.setitem(sys.modules, "bare_module", module)
    with pytest.raises(reference.UndocumentedError, match=r"bare_module\.bare is not documented"):
        reference.api({"bare_module": ()})
