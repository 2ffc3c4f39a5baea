"""The limits that the inspection goes by: the `inspect:` block of a recipe."""

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
        6.0, "°C", exclusiveMinimum=0,
    ),
    "dark_temperature_error": _number(
        "How far a noted sensor temperature may be off.", 3.0, "°C",
    ),
    "leak_level": _number(
        "A dark or bias so far above what comparable frames allow, in noise of one "
        "pixel, has light in it.", 0.5, "sigma",
    ),
    "leak_gradient": _number(
        "A dark or bias whose shape differs this much from that of comparable frames, in noise "
        "of one pixel, has light in it.", 0.5, "sigma",
    ),
    "leak_tint": _number(
        "Colours of a dark may differ by this share of its signal; dark current has no colour.",
        0.2, "ratio",
    ),
    "unlike_the_rest": _number(
        "At most this share of a folder can be unlike the rest.", 0.2, "ratio", minimum=0, maximum=0.5,
    ),
    "temperature_gap": _number(
        "A dark this far in temperature from all the others in its folder is unlike the rest.", 2.0, "°C",
    ),
    "bias_exposure": _number("No bias is exposed longer.", 0.01, "s"),
    "flat_low": _number(
        "Least level of a flat's dimmest colour, of the full range.", 0.05, "ratio", minimum=0, maximum=1,
    ),
    "flat_high": _number(
        "Highest level of a flat's brightest colour, of the full range.", 0.9, "ratio",
        minimum=0, maximum=1,
    ),
    "flat_clipped": _number(
        "Share of a flat's pixels that may be at the white level.", 0.005, "ratio", minimum=0, maximum=1,
    ),
    "flat_stars": _number("A flat with as many stars shows the sky's.", 6.0, "count"),
    "flat_gradient": _number(
        "Slope of a flat, edge to edge, over the usual one that is too much.", 0.03, "ratio",
    ),
    "flat_crease": _number(
        "Local difference of a flat from comparable frames that is too much.", 0.01, "ratio",
    ),
    "flat_drift": _number(
        "A flat so many times brighter or dimmer than usual is beyond scaling.", 2.0, "ratio",
        exclusiveMinimum=1,
    ),
    "cloud_warn": _number("Warn when this share of the usual number of stars is left.", 0.6, "ratio"),
    "cloud": _number("Set aside when this share of the usual number of stars is left.", 0.35, "ratio"),
    "trail_warn": _number("Warn when stars are less round (minor/major axis).", 0.75, "ratio"),
    "trail": _number("Set aside when stars are less round (minor/major axis).", 0.6, "ratio"),
    "blur_warn": _number("Warn when stars are so many times as wide as usual.", 1.3, "ratio"),
    "blur": _number("Set aside when stars are so many times as wide as usual.", 1.5, "ratio"),
    "sky_warn": _number("Warn when the sky is so many times as bright as usual.", 1.6, "ratio"),
    "twilight": _number(
        "Set aside when the sky at the start or end of the lights is so many times "
        "as bright as usual.", 3.0, "ratio",
    ),
    "filter_colour": _number(
        "The sky's colour ratios may differ from the usual ones by this "
        "factor.", 1.35, "ratio",
        exclusiveMinimum=1,
    ),
    "filter_sky": _number(
        "Mono: sky and stars both off by such factors tell of another filter.", 1.6, "ratio",
        exclusiveMinimum=1,
    ),
    "field_stars": {
        "description": "Compare star fields only of lights with as many stars.",
        "type": "integer",
        "minimum": 10,
        "default": 20,
        "unit": "count",
    },
}  # fmt: skip


def vet_schema() -> dict[str, Any]:
    """The schema of a recipe's `inspect:` key."""
    return {
        "description": "Limits by which every frame is inspected before a run; false turns it off.",
        "anyOf": [
            {"type": "boolean"},
            {"type": "object", "additionalProperties": False, "properties": dict(VET_PARAMS)},
        ],
    }


def vet_limits(given: Any = True) -> Mapping[str, float] | None:
    """Every limit, those not given at their default; None when the inspection is turned off."""
    if given is False:
        return None
    chosen = given if isinstance(given, Mapping) else {}
    return {name: chosen.get(name, schema["default"]) for name, schema in VET_PARAMS.items()}
