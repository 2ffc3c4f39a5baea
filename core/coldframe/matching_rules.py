"""How close a master must be to serve a frame: the `match:` block of a recipe."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from coldframe.frame import Kind

_MISSING: Mapping[str, Any] = {
    "enum": ["as-others", "warn", "set-aside", "stop"],
    "default": "as-others",
    "description": "What to do with a frame that no master fits: leave a light out where comparable "
    "lights (same camera, target and filter) have such a master, and else go on without and warn; "
    "always go on without and warn; always leave the frame out; or stop the run.",
}


def _number(default: float, unit: str, description: str, minimum: float = 0) -> dict[str, Any]:
    return {
        "type": "number",
        "minimum": minimum,
        "default": default,
        "unit": unit,
        "description": description,
    }


def _temperature(default: float) -> dict[str, Any]:
    return _number(default, "°C", "Largest difference in sensor temperature.")


def _age() -> dict[str, Any]:
    return {
        "type": ["number", "null"],
        "minimum": 0,
        "default": None,
        "unit": "d",
        "description": "Most days between frame and master; null: no limit but a library's own.",
    }


def _block(about: str, **properties: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "type": "object",
        "description": about,
        "additionalProperties": False,
        "properties": {**properties, "missing": dict(_MISSING)},
    }


RULES_SCHEMA: Mapping[str, Any] = {
    "type": "object",
    "description": "How close a master must be to serve a frame, by kind of master.",
    "additionalProperties": False,
    "properties": {
        "bias": _block("Matching of bias masters.", temperature=_temperature(20), age_days=_age()),
        "dark": _block(
            "Matching of dark masters.",
            temperature=_temperature(3),
            fitted_temperature=_number(
                0,
                "°C",
                "Largest difference in sensor temperature where the step fits the dark's scale "
                "to each frame: beyond `temperature` a dark then still serves, if a bias, a black "
                "level or an overscan tells its signal. 0: none beyond `temperature`.",
            ),
            exposure=_number(0.02, "fraction", "Largest difference in exposure left unscaled."),
            age_days=_age(),
            scale={
                "type": "boolean",
                "default": True,
                "description": "Allow a dark of another exposure, to be scaled, when a bias "
                "serves the frame too.",
            },
            scale_limit=_number(
                4, "ratio", "Most that a dark may be scaled up; its noise grows with it.", 1
            ),
            interpolate={
                "type": "boolean",
                "default": False,
                "description": "When no dark is within the tolerance in temperature, make one "
                "from the nearest colder and the nearest warmer dark by the dark current that the "
                "camera's darks in the calibration library show.",
            },
            interpolate_span=_number(
                20, "°C", "Most that the two darks may differ in temperature."
            ),
        ),
        "dark-flat": _block(
            "Matching of dark-flat masters.",
            temperature=_temperature(10),
            exposure=_number(0.05, "fraction", "Largest difference in exposure."),
            age_days=_age(),
        ),
        "flat": _block(
            "Matching of flat masters.",
            age_days=_number(30, "d", "Most days between frame and flat; the nearest wins."),
            aperture=_number(0.02, "fraction", "Largest difference in f-number."),
            focal_length=_number(0.02, "fraction", "Largest difference in focal length."),
        ),
    },
}
"""JSON Schema of a recipe's `match:` block."""

DEFAULT_RULES: Mapping[str, Mapping[str, Any]] = {
    kind: {name: rule["default"] for name, rule in block["properties"].items()}
    for kind, block in RULES_SCHEMA["properties"].items()
}
"""The rules that hold where a recipe sets none."""


def rules_for(kind: Kind, rules: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """The full rules for one kind of master: that kind's part of `match:` over the defaults.

    Raises ValueError for a kind that no master has (a light).
    """
    if kind.value not in DEFAULT_RULES:
        raise ValueError(f"{kind.value} frames are not masters")
    return {**DEFAULT_RULES[kind.value], **(rules or {})}
