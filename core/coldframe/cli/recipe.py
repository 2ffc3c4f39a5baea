"""`coldframe recipe`: list, show, check, schema."""

from __future__ import annotations

from pathlib import Path

import click
import yaml

from coldframe.cli.complete import recipe_names, settings
from coldframe.cli.show import json_option, print_json, print_table

set_option = click.option(
    "--with", "overrides", multiple=True, metavar="STEP.PARAM=VALUE", shell_complete=settings,
    help="Change one parameter of the recipe.",
)  # fmt: skip


@click.group("recipe")
def command() -> None:
    """List, show and check recipes.

    \b
    coldframe recipe list
    coldframe recipe show camera-lens
    """


@command.command("list")
@json_option
def list_recipes(as_json: bool) -> None:
    """The recipes that ship with Coldframe.

    \b
    coldframe recipe list
    """
    from coldframe.recipe_document import load_document, shipped_recipes

    found = [
        {
            "name": name,
            "about": document.data["about"],
            "for": document.data.get("for", {}),
            "extends": document.data.get("extends"),
        }
        for name, path in shipped_recipes().items()
        for document in [load_document(path)]
    ]
    if as_json:
        print_json(found)
        return
    print_table("Recipes", ["name", "about"], [[r["name"], r["about"]] for r in found])


@command.command("show")
@click.argument("name", shell_complete=recipe_names)
@set_option
@json_option
def show(name: str, overrides: tuple[str, ...], as_json: bool) -> None:
    """A recipe in full: what it extends merged in, every default written out.

    \b
    coldframe recipe show camera-lens
    coldframe recipe show camera-lens --with stack.reject=mad-clip
    """
    from coldframe.plugins import find_plugins
    from coldframe.recipe import load_recipe
    from coldframe.recipe_document import find_recipe

    data = load_recipe(find_recipe(name), find_plugins(), overrides).document
    if as_json:
        print_json(data)
    else:
        click.echo(yaml.safe_dump(data, sort_keys=False, allow_unicode=True), nl=False)


@command.command("check")
@click.argument("file", shell_complete=recipe_names)
@set_option
@json_option
def check(file: str, overrides: tuple[str, ...], as_json: bool) -> None:
    """Check a recipe file; every fault is listed with its line and column.

    \b
    coldframe recipe check my-lens.yaml
    """
    from dataclasses import asdict

    from coldframe.errors import RecipeError
    from coldframe.plugins import find_plugins
    from coldframe.recipe import load_recipe
    from coldframe.recipe_document import find_recipe

    try:
        recipe = load_recipe(find_recipe(file), find_plugins(), overrides)
    except RecipeError as error:
        if not as_json:
            raise
        print_json({"ok": False, "problems": [asdict(p) for p in error.problems]})
        raise click.exceptions.Exit(2) from None
    if as_json:
        print_json({"ok": True, "problems": []})
    else:
        click.echo(f"{Path(recipe.file).name}: good; {len(recipe.steps)} steps")


@command.command("schema")
def schema() -> None:
    """The JSON Schema of a recipe with every installed step, for editors.

    \b
    coldframe recipe schema > recipe.schema.json
    """
    from coldframe.plugins import find_plugins
    from coldframe.schema import recipe_schema

    print_json(recipe_schema(find_plugins()))
