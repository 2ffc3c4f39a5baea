"""The limits that vetting goes by: the `vet:` block of a recipe."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def _number(description: str, default: float, unit: str, **limits: float) -> dict[str, Any]:
    return {
        "description": description,
        "type": "number",
        "default": default,
        "unit": unit,
        **(limits or {"minimum": 0}),
    }


VET_PARAMS: Mapping[str, Mapping[str, Any]] = {
    "dark_doubling": _number(
        "Dark current doubles with so much warmth; allows for it when darks are compared.",
        6.0, "degC", exclusiveMinimum=0,
    ),
    "dark_temperature_error": _number(
        "How far a noted sensor temperature may be off.", 3.0, "degC",
    ),
    "leak_level": _number(
        "A dark or bias this far above what its mates allow, in noise of one pixel, has light in "
        "it.", 0.5, "sigma",
    ),
    "leak_gradient": _number(
        "A dark or bias whose shape differs this much from its mates', in noise of one pixel, has "
        "light in it.", 0.5, "sigma",
    ),
    "leak_tint": _number(
        "Colours of a dark may differ by this share of its signal; dark current has no colour.",
        0.2, "1",
    ),
    "odd_share": _number(
        "At most this share of a folder can be the odd ones out.", 0.2, "1", minimum=0, maximum=0.5,
    ),
    "temperature_gap": _number(
        "A dark this far in temperature from all its folder-mates is an odd one.", 2.0, "degC",
    ),
    "bias_exposure": _number("No bias is exposed longer.", 0.01, "s"),
    "flat_low": _number(
        "Least level of a flat's dimmest colour, of the full range.", 0.05, "1", minimum=0, maximum=1,
    ),
    "flat_high": _number(
        "Highest level of a flat's brightest colour, of the full range.", 0.9, "1",
        minimum=0, maximum=1,
    ),
    "flat_clipped": _number(
        "Share of a flat's pixels that may be at the white level.", 0.005, "1", minimum=0, maximum=1,
    ),
    "flat_stars": _number("A flat with as many stars shows the sky's.", 6.0, "stars"),
    "flat_gradient": _number(
        "Edge-to-edge slope of a flat over its mates' that is too much.", 0.03, "1",
    ),
    "flat_crease": _number(
        "Local difference of a flat from its mates that is too much.", 0.01, "1",
    ),
    "flat_drift": _number(
        "A flat brighter or dimmer than its mates by this factor is beyond scaling.", 2.0, "1",
        exclusiveMinimum=1,
    ),
    "cloud_warn": _number("Warn when this share of its mates' stars is left.", 0.6, "1"),
    "cloud": _number("Set aside when this share of its mates' stars is left.", 0.35, "1"),
    "trail_warn": _number("Warn when stars are less round (minor/major axis).", 0.75, "1"),
    "trail": _number("Set aside when stars are less round (minor/major axis).", 0.6, "1"),
    "blur_warn": _number("Warn when stars are wider than their mates' by this factor.", 1.3, "1"),
    "blur": _number("Set aside when stars are wider than their mates' by this factor.", 1.5, "1"),
    "sky_warn": _number("Warn when the sky is brighter than its mates' by this factor.", 1.6, "1"),
    "twilight": _number(
        "Set aside when the sky at the start or end of the lights is brighter than its mates' by "
        "this factor.", 3.0, "1",
    ),
    "filter_colour": _number(
        "The sky's colour ratios may differ from its mates' by this factor.", 1.35, "1",
        exclusiveMinimum=1,
    ),
    "filter_sky": _number(
        "Mono: sky and stars both off by such factors tell of another filter.", 1.6, "1",
        exclusiveMinimum=1,
    ),
    "field_stars": {
        "description": "Compare star fields only of lights with as many stars.",
        "type": "integer",
        "minimum": 10,
        "default": 20,
        "unit": "stars",
    },
}  # fmt: skip


def vet_schema() -> dict[str, Any]:
    """The schema of a recipe's `vet:` key."""
    return {
        "description": "Limits by which every frame is vetted before a run; false turns it off.",
        "anyOf": [
            {"type": "boolean"},
            {"type": "object", "additionalProperties": False, "properties": dict(VET_PARAMS)},
        ],
    }


def vet_limits(given: Any = True) -> Mapping[str, float] | None:
    """Every limit, those not given at their default; None when vetting is turned off."""
    if given is False:
        return None
    chosen = given if isinstance(given, Mapping) else {}
    return {name: chosen.get(name, schema["default"]) for name, schema in VET_PARAMS.items()}
