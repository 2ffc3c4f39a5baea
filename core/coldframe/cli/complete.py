"""What the shell offers after the Tab key, beside commands and options."""

from __future__ import annotations

import click


def recipe_names(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    """Names of shipped recipes, and recipe files in the folder that is typed."""
    from pathlib import Path

    from coldframe.recipe_document import shipped_recipes

    folder = Path(incomplete).parent if "/" in incomplete else Path()
    files = [str(p) for p in folder.glob("*.yaml")] if folder.is_dir() else []
    return [word for word in (*shipped_recipes(), *sorted(files)) if word.startswith(incomplete)]


def step_names(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    """Names of installed steps, readers and writers."""
    from coldframe.plugins import find_plugins

    registry = find_plugins()
    names = {*registry.steps, *registry.writers, *(reader.name for reader in registry.readers)}
    return sorted(name for name in names if name.startswith(incomplete))


def settings(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    """STEP.PARAM= of the recipe named in the same line, else of every shipped recipe."""
    from coldframe.errors import ColdframeError
    from coldframe.plugins import find_plugins
    from coldframe.recipe_document import find_recipe, load_document, shipped_recipes
    from coldframe.vetting.thresholds import VET_PARAMS

    named = ctx.params.get("recipe") or ctx.params.get("name") or ctx.params.get("file")
    registry = find_plugins()
    words = {f"inspect.{name}=" for name in VET_PARAMS}
    try:
        paths = [find_recipe(named)] if named else list(shipped_recipes().values())
        for path in paths:
            for step_id, spec in load_document(path).data["steps"].items():
                step = registry.steps.get(spec["use"])
                words |= {f"{step_id}.{name}=" for name in (step.params if step else ())}
    except (ColdframeError, KeyError, TypeError, AttributeError):
        pass  # a recipe that is not right is told about when the command runs
    return sorted(word for word in words if word.startswith(incomplete))
