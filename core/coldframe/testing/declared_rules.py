"""Rules about what a step says of itself. No pixel is touched."""

from __future__ import annotations

import importlib
import pickle
import re
from collections.abc import Mapping
from typing import Any

from coldframe.errors import PluginError
from coldframe.plugins import check_step as check_contract
from coldframe.step import Column, Flow
from coldframe.testing.samples import PIXELS
from coldframe.testing.trial import Trial

SNAKE = re.compile(r"[a-z][a-z0-9_]*")
NAME = re.compile(r"[a-z][a-z0-9-]*")


def contract(trial: Trial) -> None:
    """It is a concrete step of one of the three shapes, with a name a recipe can use."""
    try:
        step = check_contract(trial.step)
    except PluginError as error:
        raise AssertionError(str(error)) from None
    assert NAME.fullmatch(step.name), f"name '{step.name}': use a-z, 0-9 and -"
    assert isinstance(step.version, str), "version is not a text; write it as '1'"
    assert step.version, "version is empty: it is part of the key of every product"
    assert isinstance(step.flow, Flow), "flow is no coldframe.step.Flow"
    pixels = step.flow.pixels
    assert not isinstance(pixels, str), "flow.pixels is one text: make it a tuple of texts"
    assert pixels, "flow.pixels is empty: name the kinds of pixels that the step works on"
    unknown = sorted(set(pixels) - set(PIXELS))
    assert not unknown, f"flow.pixels has {', '.join(unknown)}; known: {', '.join(PIXELS)}"


def schema(trial: Trial) -> None:
    """Every parameter is a sound JSON Schema whose default is valid; a unit is a text."""
    import jsonschema

    for name, spec in trial.step.params.items():
        where = f"parameter '{name}'"
        assert SNAKE.fullmatch(name), f"{where}: use a-z, 0-9 and _"
        assert str(spec.get("description", "")).strip(), f"{where} has no description"
        assert "default" in spec, f"{where} has no default"
        assert isinstance(spec.get("unit", ""), str), f"{where}: its unit is no text"
        assert _limits_values(spec), (
            f"{where} has neither type, enum, const nor a choice of schemas"
        )
        try:
            jsonschema.Draft202012Validator.check_schema(dict(spec))
            jsonschema.Draft202012Validator(dict(spec)).validate(spec["default"])
        except jsonschema.SchemaError as error:
            raise AssertionError(f"{where} is no JSON Schema: {error.message}") from None
        except jsonschema.ValidationError as error:
            raise AssertionError(f"{where}: its default is not valid: {error.message}") from None


def documented(trial: Trial) -> None:
    """One line says what it does; sources are named; every column has a unit and a meaning."""
    step = trial.step
    assert step.about.strip(), "about is empty: say in one line what the step does"
    assert "\n" not in step.about, "about is more than one line"
    assert not isinstance(step.sources, str), "sources is one text: make it a tuple of texts"
    assert any(str(source).strip() for source in step.sources), (
        "no sources: cite where the method is published, or write 'common practice, no source'"
    )
    for name, column in step.columns.items():
        assert SNAKE.fullmatch(name), f"column '{name}': use a-z, 0-9 and _"
        assert isinstance(column, Column), f"column '{name}' is no coldframe.step.Column"
        assert column.unit.strip() not in ("", "1"), (
            f"column '{name}' has no unit; a bare number is a 'count', a 'ratio' or '%'"
        )
        assert column.about.strip(), f"column '{name}' does not say what it is"


def pickles(trial: Trial) -> None:
    """The class is found by its module and name, and its instances pickle, for other processes."""
    step = trial.step
    try:
        found: Any = importlib.import_module(step.__module__)
        for part in step.__qualname__.split("."):
            found = getattr(found, part)
    except (ImportError, AttributeError):
        found = None
    assert found is step, (
        f"{step.__module__}.{step.__qualname__} cannot be imported: define the class at the top "
        "of a module"
    )
    try:
        pickle.loads(pickle.dumps(step()))
    except Exception as error:
        raise AssertionError(f"its instances do not pickle: {error}") from error


def _limits_values(spec: Mapping[str, Any]) -> bool:
    return bool({"type", "enum", "const", "anyOf", "oneOf", "allOf", "$ref"} & set(spec))
