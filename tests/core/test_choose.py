"""Which shipped recipe a night gets when none is named."""

import pytest

from coldframe import choose
from coldframe.choose import choose_recipe
from coldframe.frame import FrameInfo, Kind
from coldframe.plugins import find_plugins
from coldframe.recipe_document import shipped_recipes

REGISTRY = find_plugins()
COLOUR, LENS = {"cfa": "RGGB"}, {"lens": "35 mm f/2"}


def night(*degrees, calibrated=True, **facts):
    lights = [
        FrameInfo(
            kind=Kind.LIGHT, camera="Nachtauge M3", temperature=degree,
            temperature_source="header", **facts,
        )
        for degree in degrees
    ]  # fmt: skip
    return [*lights, FrameInfo(kind=Kind.DARK, camera="Nachtauge M3")] if calibrated else lights


@pytest.mark.parametrize(
    ("frames", "recipe"),
    [
        (night(20.0, 14.0, **COLOUR, **LENS), "camera-lens"),
        (night(20.0, 14.0, **COLOUR), "camera-telescope"),
        (night(None, None, **COLOUR), "camera-telescope"),
        (night(-10.0, -10.2, **COLOUR), "cooled-colour"),
        (night(-10.0, -10.2), "cooled-mono"),
        (night(20.0, 14.0), "uncooled-mono"),
        (night(None, None), "uncooled-mono"),
        (night(None, None, **LENS), "uncooled-mono"),
        (night(20.0, 14.0, calibrated=False), "lights-only"),
        (night(-10.0, -10.2, calibrated=False, **COLOUR), "lights-only"),
    ],
)
def test_every_night_has_a_recipe_that_fits_it(frames, recipe):
    choice = choose_recipe(frames, REGISTRY)
    assert choice.recipe.name == recipe
    assert choice.misfits == ()


def test_without_a_fitting_one_the_nearest_is_taken_and_what_does_not_fit_is_said(monkeypatch):
    few = {name: shipped_recipes()[name] for name in ("camera-lens", "cooled-mono", "lights-only")}
    monkeypatch.setattr(choose, "shipped_recipes", lambda: few)
    choice = choose_recipe(night(20.0, 14.0), REGISTRY)
    assert choice.recipe.name == "cooled-mono"
    (line,) = choice.misfits
    assert "cooled-mono is for a sensor held at one temperature" in line
    assert "the night has a sensor whose temperature drifts" in line
    assert "--recipe" in line
