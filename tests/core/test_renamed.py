"""Old words give errors that name the new ones, and the table of them fits what there is."""

import click
import pytest

from coldframe import renamed
from coldframe.cli.main import cli, run_command_line
from coldframe.errors import RecipeError
from coldframe.notes_csv import _COLUMNS
from coldframe.notes_file import parse_notes
from coldframe.notes_yaml import _ENTRY, _TOP
from coldframe.plugins import find_plugins
from coldframe.recipe import load_recipe
from coldframe.recipe_document import load_document, shipped_recipes
from coldframe.schema import recipe_schema
from coldframe.vetting.thresholds import VET_PARAMS


def _values(schema):
    return set(schema.get("enum", ())) | {
        value for part in schema.get("anyOf", ()) for value in _values(part)
    }


def _command(path):
    command = cli
    for name in path:
        command = command.get_command(click.Context(command), name)
    return command


def _options(path):
    return {
        option for param in _command(path).params for option in (*param.opts, *param.secondary_opts)
    }


def _words(place, registry):
    """The words that may stand at a place of the table now."""
    match place.split(" ", 1):
        case ["recipe"]:
            schema = recipe_schema(registry)["properties"]
            return set(schema) | set(schema["steps"]["additionalProperties"]["properties"])
        case ["inspect"]:
            return set(VET_PARAMS)
        case ["input"]:
            documents = [load_document(path).data for path in shipped_recipes().values()]
            return {name for data in documents for name in (*data["inputs"], *data["steps"])}
        case ["notes"]:
            return {*_COLUMNS, *_ENTRY, *_TOP}
        case ["command"]:
            return set(cli.list_commands(click.Context(cli))) | {
                option
                for name in cli.list_commands(click.Context(cli))
                for option in _options([name])
            }
        case ["command", path] if "--" in path:
            *names, option = path.split()
            (found,) = (p for p in _command(names).params if option in p.opts)
            return set(found.type.choices)
        case ["command", path]:
            return _options(path.split())
        case [("step" | "writer") as what, name]:
            name, _, param = name.partition(".")
            params = {"step": registry.steps, "writer": registry.writers}[what][name].params
            return _values(params[param]) if param else set(params)
    raise AssertionError(f"no such place: {place}")


@pytest.mark.parametrize("place", renamed.RENAMED)
def test_new_words_are_known_and_old_ones_are_not(place):
    words = _words(place, find_plugins())
    for old, new in renamed.RENAMED[place].items():
        assert old not in words
        assert " " in new or new in words


@pytest.fixture
def table(monkeypatch):
    places = {
        "recipe": {"groups": "per"},
        "inspect": {"odd": "unlike_the_rest"},
        "input": {"dimmed": "darks"},
        "step combine": {"refuse": "reject"},
        "step combine.reject": {"nix": "none"},
        "writer png": {"curve": "stretch"},
        "notes": {"tube": "optics", "sky": "leave it out, it is measured"},
        "command": {"frobnicate": "run"},
        "command run": {"--onto": "--output"},
        "command plugin new --kind": {"plain": "stack"},
    }
    monkeypatch.setattr(renamed, "RENAMED", places)


RECIPE = """\
recipe: 1
name: old
about: Words of yesterday
inputs:
  darks: {kind: dark}
steps:
  dark: {use: combine, from: darks, groups: [exposure], with: {refuse: none}}
  second: {use: combine, from: dimmed, with: {reject: nix}}
outputs:
  dark: {png: {curve: together}}
inspect: {odd: 0.1}
"""


def test_a_recipe_with_old_words_is_told_the_new_ones_with_their_places(table, tmp_path):
    path = tmp_path / "old.yaml"
    path.write_text(RECIPE)
    with pytest.raises(RecipeError) as caught:
        load_recipe(path, find_plugins())
    assert [str(p).removeprefix(f"{tmp_path}/") for p in caught.value.problems] == [
        "old.yaml:7:37: unknown key 'groups'; it is now called 'per'",
        "old.yaml:7:64: unknown key 'refuse'; it is now called 'reject'",
        "old.yaml:8:55: 'nix' is not known here; it is now called 'none'",
        "old.yaml:10:16: unknown key 'curve'; it is now called 'stretch'",
        "old.yaml:11:11: unknown key 'odd'; it is now called 'unlike_the_rest'",
    ]
    good = {"groups": "per", "refuse": "reject", "nix": "none", "curve": "stretch"}
    text = RECIPE.replace("odd:", "unlike_the_rest:")
    for old, new in good.items():
        text = text.replace(f"{old}", f"{new}")
    path.write_text(text)
    with pytest.raises(RecipeError, match="nothing is called 'dimmed'; it is now called 'darks'"):
        load_recipe(path, find_plugins())


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("notes.yaml", "tube: 135 mm\nsky: dark\n"),
        ("notes.csv", "file,tube,sky\na.fits,135 mm,dark\n"),
    ],
)
def test_notes_with_old_words_are_told_the_new_ones(table, name, text):
    with pytest.raises(RecipeError) as caught:
        parse_notes(text, name)
    said = str(caught.value)
    assert "'tube'" in said
    assert "; it is now called 'optics'" in said
    assert "; leave it out, it is measured" in said


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["run", ".", "--onto", "x"], "; it is now called '--output'"),
        (["plugin", "new", "x", "--kind", "plain"], "'plain' is not known here; it is now called"),
        (["frobnicate"], "No such command 'frobnicate'; it is now called 'run'"),
        (["recipe", "show", "camera-lens", "--with", "dark.refuse=none"], "now called 'reject'"),
    ],
)
def test_old_options_and_commands_are_told_the_new_ones(table, capsys, args, said):
    assert run_command_line(args) == 2
    assert said in capsys.readouterr().err
