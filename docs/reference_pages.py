"""Writes the pages of docs/reference from the code: what is said there is what is so.

`conf.py` calls it at each build; the pages are not kept in the repository. Whatever has no
description raises UndocumentedError.
"""

from __future__ import annotations

import inspect
from collections.abc import Iterator, Mapping, Sequence
from importlib import import_module
from pathlib import Path
from typing import Any

import click

from coldframe import hooks
from coldframe.cli.main import cli
from coldframe.cli.steps import shape_of, value_words
from coldframe.plugins import Registry, find_plugins
from coldframe.schema import recipe_schema
from coldframe.step import Step

API: Mapping[str, Sequence[str]] = {
    "coldframe.step": (),
    "coldframe.frame": (),
    "coldframe.hooks": (),
    "coldframe.errors": (),
    "coldframe.product": ("atomic",),
    "coldframe.testing": (
        "Result",
        "check_reader",
        "check_report_section",
        "check_step",
        "run_step",
        "sample_frames",
        "sample_master",
        "sample_record",
    ),
}
"""Modules that a plugin may count on; where names follow, on these only."""

EXIT_CODES = """\
| exit code | meaning |
| --- | --- |
| 0 | done |
| 1 | the work failed; the message says what to do |
| 2 | wrong use: the command, the recipe, a notes file or a camera file |
| 130, 143 | stopped by Ctrl-C, by `kill`; finished work is kept |
"""


class UndocumentedError(Exception):
    """Something that people may use does not say what it is."""


def write_reference(folder: Path) -> list[Path]:
    """Write every page into `folder`, and return them.

    Raises UndocumentedError for the first thing without a description.
    """
    registry = find_plugins()
    pages = {
        "commands": commands(cli),
        "steps": steps(registry),
        "writers": writers(registry),
        "recipe": recipe(recipe_schema(registry)),
        "hooks": hook_page(),
        "api": api(),
    }
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name, text in pages.items():
        path = folder / f"{name}.md"
        path.write_text(text, encoding="utf-8")
        written.append(path)
    return written


def told(text: str | None, what: str) -> str:
    """The text itself; raises UndocumentedError when there is none."""
    if not (text or "").strip():
        raise UndocumentedError(f"{what} is not documented")
    return inspect.cleandoc(str(text))


def commands(root: click.Group) -> str:
    """Every command as its own --help shows it."""
    parts = ["# Commands", EXIT_CODES, "Every command takes `--help`. Listings take `--json`."]
    for path, command in _walk(root, ("coldframe",)):
        name = " ".join(path)
        told(command.help, f"command '{name}'")
        for param in command.params:
            if isinstance(param, click.Option):
                told(param.help, f"{name} {param.opts[-1]}")
        context = click.Context(command, info_name=name, terminal_width=96)
        parts += [f"## {name}", f"```text\n{command.get_help(context)}\n```"]
    return "\n\n".join(parts) + "\n"


def _walk(
    command: click.Command, path: tuple[str, ...]
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    yield path, command
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            found = command.get_command(context, name)
            if found is not None:
                yield from _walk(found, (*path, name))


def steps(registry: Registry) -> str:
    """Every built-in step with its parameters, numbers and sources."""
    parts = ["# Steps", "What a recipe's `use:` can name. Plugins add more: `coldframe steps`."]
    for name, step in sorted(registry.steps.items()):
        if registry.origins[f"step:{name}"].package == "coldframe":
            parts += one_step(step)
    return "\n\n".join(parts) + "\n"


def one_step(step: type[Step]) -> list[str]:
    """Heading and paragraphs of one step."""
    what = f"step '{step.name}'"
    parts = [f"## {step.name}", told(step.about, what), told(step.__doc__, f"{what}, its class")]
    masters = ", ".join(step.master_kinds)
    parts.append(
        f"Shape: {shape_of(step)}. Version {step.version}."
        + (f" Masters: {masters}." if masters else "")
    )
    if step.params:
        parts.append(_params(step.params, what))
    if step.columns:
        rows = [
            [f"`{n}`", told(c.unit, f"{what}, unit of {n}"), told(c.about, f"{what}, {n}")]
            for n, c in step.columns.items()
        ]
        parts.append("Numbers it reports:\n\n" + _table(["number", "unit", "meaning"], rows))
    sources = [told(source, f"a source of {what}") for source in step.sources]
    if not sources:
        raise UndocumentedError(f"{what} names no sources")
    parts.append("Sources:\n\n" + "\n".join(f"- {source}" for source in sources))
    return parts


def writers(registry: Registry) -> str:
    """Formats that are read and written."""
    parts = ["# Readers and writers", "## Files that are read"]
    rows = [
        [f"`{r.name}`", " ".join(f"`{s}`" for s in r.suffixes), told(r.about, f"reader '{r.name}'")]
        for r in registry.readers
    ]
    parts.append(_table(["reader", "suffixes", "what it reads"], rows))
    for name, writer in registry.writers.items():
        parts += [f"## {name}", told(writer.about, f"writer '{name}'")]
        if writer.params:
            parts.append(_params(writer.params, f"writer '{name}'"))
    return "\n\n".join(parts) + "\n"


def recipe(schema: Mapping[str, Any]) -> str:
    """Every key of a recipe."""
    rows = [
        [f"`{path}`", value_words(spec), _default(spec), told(spec.get("description"), path)]
        for path, spec in _keys(schema, "")
    ]
    text = (
        "The keys of a recipe; `NAME` is a name of your own. What `with:` may hold is told by each "
        "[step](steps.md), what a format may hold by each [writer](writers.md).\n\n"
        "`coldframe recipe schema` prints the JSON Schema that this page is made from."
    )
    return "\n\n".join(
        ["# Recipe keys", text, _table(["key", "value", "default", "meaning"], rows)]
    )


def _keys(schema: Mapping[str, Any], at: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
    for name, spec in schema.get("properties", {}).items():
        path = f"{at}.{name}" if at else name
        yield path, spec
        if at != "outputs.NAME":  # formats and their options stand on the page of writers
            yield from _keys(spec, path)
            for choice in spec.get("anyOf", ()):
                yield from _keys(choice, path)
    extra = schema.get("additionalProperties")
    if isinstance(extra, Mapping) and "properties" in extra:
        yield from _keys(extra, f"{at}.NAME")


def hook_page() -> str:
    """Every hook with its signature."""
    parts = ["# Hooks", "The functions that a plugin may define; see the page on plugins."]
    for name, function in vars(hooks).items():
        if name.startswith("coldframe_"):
            parts += [
                f"## {name}",
                f"```python\n{name}{inspect.signature(function)}\n```",
                told(function.__doc__, f"hook {name}"),
            ]
    return "\n\n".join(parts) + "\n"


def api(modules: Mapping[str, Sequence[str]] = API) -> str:
    """Public classes and functions of the modules, with their docstrings."""
    parts = [
        "# Python interface for plugins",
        "What a plugin may count on. Everything else in the package may change at any time.",
    ]
    for name, names in modules.items():
        module = import_module(name)
        parts += [f"## {name}", _block(told(module.__doc__, name))]
        for key, thing in _public(module, names):
            parts += _entry(f"{name}.{key}", key, thing)
    return "\n\n".join(parts) + "\n"


def _public(module: Any, names: Sequence[str]) -> Iterator[tuple[str, Any]]:
    for key, thing in vars(module).items():
        own = getattr(thing, "__module__", None) == module.__name__
        public = key in names if names else own and not key.startswith("_")
        if public and (inspect.isclass(thing) or inspect.isfunction(thing)):
            yield key, thing


def _entry(where: str, key: str, thing: Any) -> list[str]:
    parts = [f"### {key}", f"```python\n{_head(key, thing)}\n```", _block(_doc(thing, where))]
    if inspect.isclass(thing):
        for name, member in vars(thing).items():
            function = member.__func__ if isinstance(member, classmethod) else member
            if isinstance(member, property):
                function = member.fget
            if name.startswith("_") or not inspect.isfunction(function):
                continue
            mark = "property " if isinstance(member, property) else ""
            head = f"{mark}{key}.{name}{inspect.signature(function)}"
            parts += [
                f"```python\n{head}\n```",
                _block(told(function.__doc__, f"{where}.{name}")),
            ]
    return parts


def _doc(thing: Any, where: str) -> str:
    if "<locals>" in getattr(thing, "__qualname__", ""):
        raise UndocumentedError(f"{where} is not at the top of its module")
    # A dataclass without a docstring gets its signature for one, which tells nothing.
    doc = thing.__doc__
    if inspect.isclass(thing) and doc and doc.startswith(f"{thing.__name__}("):
        doc = None
    return told(doc, where)


def _head(key: str, thing: Any) -> str:
    if inspect.isfunction(thing):
        return f"{key}{inspect.signature(thing)}"
    bases = [b.__name__ for b in thing.__bases__ if b.__name__ not in ("object", "Generic")]
    fields = getattr(thing, "__dataclass_fields__", {})
    lines = [f"class {key}({', '.join(bases)})" if bases else f"class {key}"]
    lines += [f"    {name}: {field.type}" for name, field in fields.items()]
    if issubclass(thing, int | str) and hasattr(thing, "__members__"):
        lines += [f"    {name} = {member.value!r}" for name, member in thing.__members__.items()]
    return "\n".join(lines)


def _block(text: str) -> str:
    return f"```text\n{text}\n```"


def _params(params: Mapping[str, Mapping[str, Any]], what: str) -> str:
    rows = [
        [
            f"`{name}`",
            value_words(spec),
            spec.get("unit", ""),
            _default(spec),
            told(spec.get("description"), f"{what}, parameter '{name}'"),
        ]
        for name, spec in params.items()
    ]
    return _table(["parameter", "values", "unit", "default", "meaning"], rows)


def _default(spec: Mapping[str, Any]) -> str:
    if "default" not in spec:
        return ""
    value = spec["default"]
    words = {True: "true", False: "false", None: "null", "": '""'}
    return f"`{words[value] if isinstance(value, bool | None | str) and value in words else value}`"


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    def line(cells: Sequence[str]) -> str:
        plain = [" ".join(str(cell).split()).replace("|", "\\|") for cell in cells]
        return "| " + " | ".join(plain) + " |"

    return "\n".join([line(heads), "|" + " --- |" * len(heads), *map(line, rows)]) + "\n"
