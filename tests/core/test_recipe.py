"""Recipes: every fault at once, each with file, line, column and the nearest valid name."""

import pytest
import toy
from jsonschema import Draft202012Validator

from coldframe.errors import RecipeError, UsageError
from coldframe.recipe import load_recipe
from coldframe.schema import recipe_schema

GOOD = """\
recipe: 1
name: good
about: A good one
inputs:
  lights: {kind: light}
  darks: {kind: dark}
steps:
  stack: {use: mean, from: moved}
  dark: {use: mean, from: darks, per: [exposure]}
  moved:
    use: add
    from: lights
    masters: dark
    with: {amount: 2}
outputs:
  stack: {text: true}
"""


def load(tmp_path, text, overrides=(), name="r.yaml", registry=None):
    path = tmp_path / name
    path.write_text(text)
    return load_recipe(path, registry or toy.registry(), overrides)


def faults(tmp_path, text, overrides=()):
    with pytest.raises(RecipeError) as caught:
        load(tmp_path, text, overrides)
    return [str(p).removeprefix(str(tmp_path) + "/") for p in caught.value.problems]


def test_steps_come_after_their_inputs_and_defaults_are_filled_in(tmp_path):
    recipe = load(tmp_path, GOOD)
    order = list(recipe.steps)
    assert order.index("dark") < order.index("moved") < order.index("stack")
    assert recipe.steps["moved"].params == {"amount": 2}
    assert recipe.outputs == {"stack": {"text": {"digits": 3}}}


def test_the_schema_is_valid_and_carries_units_and_defaults():
    schema = recipe_schema(toy.registry())
    Draft202012Validator.check_schema(schema)
    blocks = schema["properties"]["steps"]["additionalProperties"]["allOf"]
    add = next(b for b in blocks if b["if"]["properties"]["use"]["const"] == "add")
    amount = add["then"]["properties"]["with"]["properties"]["amount"]
    assert (amount["unit"], amount["default"]) == ("ADU", 1)


def test_all_faults_come_at_once_with_their_places(tmp_path):
    text = GOOD.replace("amount: 2", "amuont: 2").replace(
        "use: mean, from: darks", "use: maen, from: darks"
    )
    text = text.replace("kind: light}", "kind: lihgt}").replace("about:", "abuot:", 1)
    assert faults(tmp_path, text) == [
        "r.yaml:1:1: 'the recipe' needs the key 'about'",
        "r.yaml:3:1: unknown key 'abuot'; did you mean 'about'?",
        "r.yaml:5:18: 'lihgt' is not known here; did you mean 'light'?",
        "r.yaml:9:15: 'maen' is not known here; did you mean 'mean', or is its plugin not installed?",
        "r.yaml:14:12: unknown key 'amuont'; did you mean 'amount'?",
    ]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("from: moved", "from: mvoed", "r.yaml:8:28: nothing is called 'mvoed'; did you mean 'moved'?"),
        ("from: lights", "from: stack", "a cycle: stack -> moved -> stack"),
        ("amount: 2", "amount: two", "'steps.moved.with.amount' is 'two', but must be a number of ADU"),
        ("masters: dark", "masters: moved", "'moved' (add) does not make a master"),
        ("stack: {text: true}", "stok: {text: true}", "r.yaml:16:3: no step is called 'stok'; did you mean 'stack'?"),
        ("text: true", "txt: true", "unknown key 'txt'; did you mean 'text', or is its plugin not installed?"),
        ("per: [exposure]", "per: [exposur]", "did you mean 'exposure'?"),
        ("recipe: 1", "recipe: 2", "'recipe' is 2, but must be 1"),
        ("kind: dark}", "kind: flat}", "'dark' is made of flat frames; 'add' takes dark, bias"),
    ],
)  # fmt: skip
def test_each_fault_says_what_is_wrong(tmp_path, old, new, said):
    found = faults(tmp_path, GOOD.replace(old, new))
    assert any(said in fault for fault in found), found


def test_a_table_cannot_be_stacked(tmp_path):
    text = GOOD.replace("from: moved}", "from: bright}").replace(
        "outputs:", "  bright: {use: peak, from: lights}\noutputs:"
    )
    (fault,) = faults(tmp_path, text)
    assert (
        "r.yaml:8:28: 'bright' gives a table of numbers, but 'stack' (mean) needs frames" in fault
    )


def test_yaml_that_cannot_be_read(tmp_path):
    (fault,) = faults(tmp_path, "recipe: 1\nname: [broken\n")
    assert fault.startswith("r.yaml:3:1: not valid YAML")
    (fault,) = faults(tmp_path, GOOD + "name: twice\n")
    assert "r.yaml:17:1: 'name' is given twice, first given on line 2" in fault
    (fault,) = faults(tmp_path, "recipe: 1\nname: a\nsteps:\n\tdark: {}\n")
    assert fault == "r.yaml:4:1: use spaces, not a tab"


def test_extends_merges_and_points_into_the_right_file(tmp_path):
    (tmp_path / "base.yaml").write_text(GOOD)
    child = "recipe: 1\nname: child\nabout: c\nextends: base.yaml\nsteps:\n  moved:\n    with: {%s: 5}\n"
    recipe = load(tmp_path, child % "amount", name="child.yaml")
    assert recipe.name == "child"
    assert recipe.steps["moved"].params == {"amount": 5}
    assert recipe.steps["moved"].masters == ("dark",)
    with pytest.raises(RecipeError) as caught:
        load(tmp_path, child % "amont", name="child.yaml")
    assert "child.yaml:7:12: unknown key 'amont'" in str(caught.value)
    (tmp_path / "base.yaml").write_text(
        GOOD.replace("use: mean, from: darks", "use: maen, from: darks")
    )
    with pytest.raises(RecipeError) as caught:
        load(tmp_path, child % "amount", name="child.yaml")
    assert "base.yaml:9:15: 'maen'" in str(caught.value)
    (tmp_path / "base.yaml").write_text(GOOD + "extends: child.yaml\n")
    with pytest.raises(RecipeError, match="extends itself"):
        load(tmp_path, child % "amount", name="child.yaml")


def test_null_takes_a_step_out(tmp_path):
    (tmp_path / "base.yaml").write_text(GOOD)
    child = "recipe: 1\nname: c\nabout: c\nextends: base.yaml\nsteps: {dark: null, moved: {masters: null}}\n"
    assert "dark" not in load(tmp_path, child, name="child.yaml").steps


def test_overrides(tmp_path):
    assert load(tmp_path, GOOD, ["moved.amount=7.5"]).steps["moved"].params["amount"] == 7.5
    with pytest.raises(UsageError, match="no step 'mved'; did you mean 'moved'"):
        load(tmp_path, GOOD, ["mved.amount=7"])
    with pytest.raises(UsageError, match=r"write it as step\.param=value"):
        load(tmp_path, GOOD, ["moved"])
    (fault,) = faults(tmp_path, GOOD, ["moved.amount=lots"])
    assert fault.startswith("--with moved.amount=lots: 'steps.moved.with.amount'")


def test_unknown_recipe_names_the_nearest():
    from coldframe.recipe_document import find_recipe

    with pytest.raises(UsageError, match="did you mean 'camera-lens'"):
        find_recipe("camera-lense")


def test_every_shipped_recipe_holds(tmp_path):
    """All of them load with the installed steps, and `for` is never inherited in part."""
    from coldframe.plugins import find_plugins
    from coldframe.recipe_document import shipped_recipes

    registry = find_plugins()
    assert registry.broken == {}
    suits = {name: load_recipe(path, registry).suits for name, path in shipped_recipes().items()}
    assert set(suits) == {
        "camera-lens", "camera-telescope", "cooled-colour", "cooled-mono", "lights-only",
        "quick-look", "uncooled-mono",
    }  # fmt: skip
    assert suits["cooled-mono"] == {"cfa": False, "cooled": True}
    assert suits["camera-telescope"]["lens"] is False


def test_a_number_is_told_with_its_unit(tmp_path):
    text = GOOD.replace("outputs:", "inspect: {dark_temperature_error: warm}\noutputs:")
    (fault,) = faults(tmp_path, text)
    assert fault.startswith("r.yaml:15:35: 'inspect.dark_temperature_error' is 'warm', ")
    assert "must be a number of °C" in fault
    (fault,) = faults(tmp_path, text.replace("warm", "-1"))
    assert "is -1, but must be at least 0 °C" in fault
