"""The JSON Schema of a recipe, with every installed step's own parameters merged in."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from coldframe.facts import FACTS
from coldframe.frame import Kind
from coldframe.hooks import ProductWriter
from coldframe.matching import RULES_SCHEMA
from coldframe.plugins import Registry
from coldframe.step import Step
from coldframe.vetting.thresholds import vet_schema

DIALECT = "https://json-schema.org/draft/2020-12/schema"

NAME = {"type": "string", "pattern": "^[a-z][a-z0-9-]*$"}


def _list_of(item: Mapping[str, Any], about: str) -> dict[str, Any]:
    """One or many of something."""
    return {
        "description": about,
        "anyOf": [item, {"type": "array", "items": item, "minItems": 1, "uniqueItems": True}],
    }


def params_schema(params: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """The schema of a `with:` block (or of a writer's options)."""
    return {"type": "object", "additionalProperties": False, "properties": dict(params)}


def with_defaults(params: Mapping[str, Mapping[str, Any]], given: Any) -> dict[str, Any]:
    """Every parameter: as given in a `with:` block or a writer's options, else its default."""
    chosen = given if isinstance(given, Mapping) else {}
    return {name: chosen.get(name, schema["default"]) for name, schema in params.items()}


def _step_schema(steps: Mapping[str, type[Step]]) -> dict[str, Any]:
    return {
        "type": "object",
        "additionalProperties": False,
        "required": ["use", "from"],
        "properties": {
            "use": {"description": "Name of the step.", "enum": sorted(steps)},
            "about": {"description": "Why it is here.", "type": "string"},
            "from": _list_of(NAME, "Inputs or steps whose frames come in."),
            "per": {
                "description": "Facts that frames of one group share.",
                "type": "array",
                "items": {"enum": list(FACTS)},
                "uniqueItems": True,
            },
            "within": {
                "description": "How far apart a fact may be inside a group, in its own unit "
                "(exposure: as a fraction).",
                "type": "object",
                "propertyNames": {"enum": list(FACTS)},
                "additionalProperties": {"type": "number", "minimum": 0},
            },
            "each_night": {
                "description": "Of a group whose frames are of several nights, make each night's "
                "own stack too.",
                "type": "boolean",
                "default": False,
            },
            "masters": _list_of(NAME, "Steps whose masters calibrate these frames."),
            "match": RULES_SCHEMA,
            "measures": _list_of(NAME, "Measuring steps whose numbers this step may use."),
            "with": {"description": "The step's own parameters.", "type": "object"},
        },
        "allOf": [
            {
                "if": {"properties": {"use": {"const": name}}, "required": ["use"]},
                "then": {"properties": {"with": params_schema(step.params)}},
            }
            for name, step in sorted(steps.items())
        ],
    }


def _outputs_schema(writers: Mapping[str, ProductWriter]) -> dict[str, Any]:
    return {
        "description": "Which products are written for people, and in which formats.",
        "type": "object",
        "propertyNames": NAME,
        "additionalProperties": {
            "type": "object",
            "additionalProperties": False,
            "properties": {
                name: {
                    "description": writer.about,
                    "anyOf": [{"type": "boolean"}, params_schema(writer.params)],
                }
                for name, writer in sorted(writers.items())
            },
        },
    }


def recipe_schema(registry: Registry) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a whole recipe."""
    return {
        "$schema": DIALECT,
        "title": "Coldframe recipe",
        "type": "object",
        "additionalProperties": False,
        "required": ["recipe", "name", "about", "inputs", "steps", "outputs"],
        "properties": {
            "recipe": {"description": "Version of the recipe format.", "const": 1},
            "name": {"description": "Name of the recipe.", **NAME},
            "about": {"description": "What it is for, in one line.", "type": "string"},
            "extends": {
                "description": "A shipped recipe's name, or a file beside this one.",
                "type": "string",
            },
            "for": {
                "description": "Which nights this recipe suits. All that is said must hold; "
                "the recipe that says most wins.",
                "type": "object",
                "additionalProperties": False,
                "properties": {
                    "camera": {
                        "description": "Pattern of make and model; * stands for anything.",
                        "type": "string",
                    },
                    "cfa": {"description": "The sensor has a colour mosaic.", "type": "boolean"},
                    "cooled": {
                        "description": "The camera holds its sensor's temperature.",
                        "type": "boolean",
                    },
                    "lens": {
                        "description": "The camera reports a lens (else: a telescope).",
                        "type": "boolean",
                    },
                    "calibration": {
                        "description": "There are calibration frames.",
                        "type": "boolean",
                    },
                },
            },
            "seed": {
                "description": "Seed of every random choice.",
                "type": "integer",
                "minimum": 0,
                "default": 0,
            },
            "kinds": {
                "description": "Patterns of file or folder names that tell a frame's kind.",
                "type": "object",
                "propertyNames": {"enum": [kind.value for kind in Kind]},
                "additionalProperties": {"type": "array", "items": {"type": "string"}},
            },
            "inputs": {
                "description": "Named sets of source frames.",
                "type": "object",
                "minProperties": 1,
                "propertyNames": NAME,
                "additionalProperties": {
                    "type": "object",
                    "additionalProperties": False,
                    "required": ["kind"],
                    "properties": {
                        "kind": {
                            "description": "Kind of frame.",
                            "enum": [kind.value for kind in Kind],
                        },
                        "filter": {"description": "Only this filter.", "type": "string"},
                    },
                },
            },
            "steps": {
                "description": "The steps, by a name of your own. Order does not matter.",
                "type": "object",
                "minProperties": 1,
                "propertyNames": NAME,
                "additionalProperties": _step_schema(registry.steps),
            },
            "outputs": _outputs_schema(registry.writers),
            "inspect": vet_schema(),
        },
    }
