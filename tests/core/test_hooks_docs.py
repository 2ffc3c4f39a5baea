"""docs/plugins.md lists every hook with its exact signature and its docstring."""

import inspect
from pathlib import Path

from coldframe import hooks
from coldframe.recipe_document import load_document, shipped_recipes

DOCS = Path(__file__).parents[2] / "docs"


def test_every_hook_is_documented_as_it_is():
    text = (DOCS / "plugins.md").read_text()
    found = [f for name, f in vars(hooks).items() if name.startswith("coldframe_") and callable(f)]
    assert len(found) >= 5
    for hook in found:
        arguments = ", ".join(inspect.signature(hook).parameters)
        line = f"| `{hook.__name__}({arguments})` | {inspect.getdoc(hook)} |"
        assert line in text, line


def test_every_shipped_recipe_is_documented_as_it_is():
    text = (DOCS / "recipes.md").read_text()
    for name, path in shipped_recipes().items():
        assert f"| `{name}` | {load_document(path).data['about']} |" in text
