"""Which shipped recipe suits a night, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatch
from typing import Any

from coldframe.frame import FrameInfo, Kind
from coldframe.plugins import Registry
from coldframe.recipe import Recipe, load_recipe
from coldframe.recipe_document import shipped_recipes

STEADY = 1.0
"""°C: a camera whose header temperatures stay within this holds its sensor's temperature."""


@dataclass(frozen=True, slots=True)
class Choice:
    """The recipe chosen and the reason in plain words.

    misfits : lines about what the recipe is made for and the night has not.
    """

    recipe: Recipe
    why: str
    misfits: tuple[str, ...] = ()


def night_facts(infos: Sequence[FrameInfo], masters: Sequence[FrameInfo] = ()) -> dict[str, Any]:
    """What the lights of a night (or, without any, all frames) say about camera and optics.

    masters : those of a calibration library; of the lights' camera they count as the night's own.
    """
    lights = [info for info in infos if info.kind is Kind.LIGHT] or list(infos)
    # A cooled camera may be set to another temperature on another night.
    temperatures: dict[str | None, list[float]] = {}
    for info in lights:
        if info.temperature is not None and info.temperature_source == "header":
            temperatures.setdefault(info.night, []).append(info.temperature)
    cameras = {info.camera for info in lights}
    return {
        "camera": next((info.camera for info in lights if info.camera), ""),
        "cfa": any(info.cfa for info in lights),
        "cooled": bool(temperatures)
        and all(max(known) - min(known) <= STEADY for known in temperatures.values()),
        "lens": any(info.lens for info in lights),
        "calibration": any(info.kind not in (Kind.LIGHT, None) for info in infos)
        or any(master.camera in cameras for master in masters),
    }


WORDS: Mapping[str, tuple[str, str]] = {
    "cfa": ("a colour mosaic", "no colour mosaic"),
    "cooled": ("a sensor held at one temperature", "a sensor whose temperature drifts"),
    "lens": ("a lens named by the camera", "no lens named, so a telescope"),
    "calibration": ("calibration frames", "no calibration frames"),
}


def choose_recipe(
    infos: Sequence[FrameInfo],
    registry: Registry,
    overrides: Sequence[str] = (),
    masters: Sequence[FrameInfo] = (),
) -> Choice:
    """The shipped recipe whose `for:` block says most and holds; `masters` as in `night_facts`.

    Where none holds, the nearest: that with the fewest facts that the night has not.

    Raises UsageError when a recipe cannot be loaded.
    """
    facts = night_facts(infos, masters)
    found = []
    for path in shipped_recipes().values():
        suits = load_recipe(path, registry).suits
        if suits:  # a recipe without is for those who name it
            off = {k: v for k, v in suits.items() if not _holds(k, v, facts)}
            # No calibration frames at all outranks any fact about the camera.
            weight = sum(10 if key == "calibration" else 1 for key in suits)
            amiss = sum(10 if key == "calibration" else 1 for key in off)
            found.append((amiss, -weight, path.stem, path, off))
    *_, path, off = min(found)
    recipe = load_recipe(path, registry, overrides)
    if not off:
        return Choice(recipe, f"the night has {_words(recipe.suits)}")
    has = {key: facts[key] for key in off if key in WORDS}
    return Choice(
        recipe,
        f"the nearest of those that ship: made for {_words(recipe.suits)}",
        (
            f"no shipped recipe fits this night in everything: {recipe.name} is for "
            f"{_words(off)}, the night has {_words(has) or 'another camera'}; `coldframe recipe "
            f"show {recipe.name}` shows it, --recipe names another",
        ),
    )


def _holds(key: str, value: Any, facts: Mapping[str, Any]) -> bool:
    if key == "camera":
        return fnmatch(str(facts["camera"]).lower(), str(value).lower())
    return bool(facts[key] == value)


def _words(suits: Mapping[str, Any]) -> str:
    parts = [WORDS[key][0 if value else 1] for key, value in suits.items() if key in WORDS]
    if "camera" in suits:
        parts.insert(0, f"the camera {suits['camera']}")
    return ", ".join(parts)
