"""Which master serves which frame: facts, tolerances, costs and reasons."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coldframe.frame import FrameInfo, Kind
from coldframe.matching import DEFAULT_RULES, RULES_SCHEMA, match, rules_for

LIGHT = FrameInfo(
    kind=Kind.LIGHT,
    camera="Aurel K1",
    iso=1600,
    exposure=120.0,
    temperature=14.2,
    shape=(40, 60),
    cfa="RGGB",
    optics="80 mm refractor",
    filter=None,
    start=datetime(2024, 3, 1, 22, 0),
    night="2024-03-01",
)
DARK = replace(LIGHT, kind=Kind.DARK, optics=None)
FLAT = replace(LIGHT, kind=Kind.FLAT, exposure=0.5, iso=100)


def test_equal_facts_match_at_no_distance():
    found = match(LIGHT, Kind.DARK, [DARK])
    assert found.index == 0
    assert found.total == 0
    assert found.distances == {"temperature": 0.0, "exposure": 0.0}
    assert found.runner_up is None
    assert not found.scaled


def test_nearest_temperature_wins_and_the_other_is_runner_up():
    darks = [replace(DARK, temperature=t) for t in (16.5, 13.7, 30.0)]
    found = match(LIGHT, Kind.DARK, darks)
    assert (found.index, found.runner_up) == (1, 0)
    assert found.distances["temperature"] == pytest.approx(0.5)
    assert found.total == pytest.approx(0.5 / 3)
    assert "0.5 °C colder" in found.reason


def test_beyond_tolerance_there_is_no_match_and_the_reason_says_how_far():
    found = match(LIGHT, Kind.DARK, [replace(DARK, temperature=t) for t in (21.4, 35.0)])
    assert found.index is None
    assert math.isinf(found.total)
    assert "nearest dark" in found.reason
    assert "7.2 °C warmer; tolerance 3" in found.reason
    assert found.distances["temperature"] == pytest.approx(7.2)


def test_a_recipe_may_widen_the_tolerance():
    dark = replace(DARK, temperature=21.4)
    assert match(LIGHT, Kind.DARK, [dark], {"temperature": 8}).index == 0


@pytest.mark.parametrize(
    ("fact", "value", "words"),
    [
        ("camera", "Aurel K2", "Aurel K2"),
        ("shape", (40, 50), "40×50"),
        ("binning", (2, 2), "2×2"),
        ("cfa", "GRBG", "GRBG"),
        ("iso", 800, "ISO 800"),
        ("gain_setting", 120.0, "gain 120"),
        ("offset", 30.0, "offset 30"),
    ],
)
@pytest.mark.parametrize("kind", [Kind.BIAS, Kind.DARK, Kind.DARK_FLAT])
def test_sensor_and_setting_must_be_equal(kind, fact, value, words):
    light = replace(LIGHT, binning=(1, 1), gain_setting=100.0, offset=10.0)
    good = replace(light, kind=kind)
    found = match(light, kind, [replace(good, **{fact: value})])
    assert found.index is None
    assert words in found.reason
    assert match(light, kind, [good]).index == 0


@pytest.mark.parametrize(
    ("fact", "value"), [("optics", "400 mm mirror"), ("filter", "Ha"), ("camera", "Aurel K2")]
)
def test_flat_needs_the_same_optics_and_filter(fact, value):
    light = replace(LIGHT, filter="L")
    flat = replace(FLAT, filter="L")
    assert match(light, Kind.FLAT, [replace(flat, **{fact: value})]).index is None
    assert match(light, Kind.FLAT, [flat]).index == 0


def test_flat_of_another_iso_serves():
    assert match(LIGHT, Kind.FLAT, [FLAT]).index == 0


def test_lens_decides_where_nobody_named_the_optics():
    light = replace(LIGHT, optics=None, lens="50 mm f/1.8")
    assert match(light, Kind.FLAT, [replace(FLAT, optics=None, lens="35 mm f/2")]).index is None
    # The photographer's own name on one side cannot be held against the camera's on the other.
    found = match(light, Kind.FLAT, [replace(FLAT, optics="fifty", lens="50 mm f/1.8")])
    assert found.index == 0
    assert found.total == 0


def test_nearest_flat_in_time_wins_and_an_old_one_is_refused():
    flats = [replace(FLAT, start=LIGHT.start + timedelta(days=d)) for d in (-12, 2, 40)]
    found = match(LIGHT, Kind.FLAT, flats)
    assert (found.index, found.runner_up) == (1, 0)
    assert found.distances["age_days"] == pytest.approx(2)
    assert found.total == pytest.approx(2 / 30)
    old = match(LIGHT, Kind.FLAT, flats[2:])
    assert old.index is None
    assert "40.0 days away; tolerance 30" in old.reason


def test_same_folder_is_the_same_night_without_clocks():
    light, flat = replace(LIGHT, start=None), replace(FLAT, start=None)
    assert match(light, Kind.FLAT, [flat]).distances["age_days"] == 0
    other = match(light, Kind.FLAT, [replace(flat, night="2024-03-09")])
    assert other.index == 0
    assert other.total == 1
    assert "age unknown" in other.reason


def test_flat_at_another_aperture_is_refused():
    light, flat = replace(LIGHT, aperture=2.8), replace(FLAT, aperture=4.0)
    found = match(light, Kind.FLAT, [flat])
    assert found.index is None
    assert "f/4" in found.reason
    assert "f/2.8" in found.reason


def test_dark_of_another_exposure_is_scaled_only_with_a_bias():
    dark = replace(DARK, exposure=300.0)
    without = match(LIGHT, Kind.DARK, [dark])
    assert without.index is None
    assert "300 s against 120 s" in without.reason
    assert "without a bias" in without.reason
    with_bias = match(LIGHT, Kind.DARK, [dark], bias=True)
    assert with_bias.index == 0
    assert with_bias.scaled
    assert with_bias.distances["exposure"] == 180
    assert with_bias.total == pytest.approx(1 + math.log2(2.5))
    assert "scaled from 300 s to 120 s" in with_bias.reason
    forbidden = match(LIGHT, Kind.DARK, [dark], {"scale": False}, bias=True)
    assert forbidden.index is None


def test_equal_exposure_beats_scaling_and_scaling_down_beats_scaling_up():
    darks = [replace(DARK, exposure=e) for e in (60.0, 240.0, 121.0)]
    found = match(LIGHT, Kind.DARK, darks, bias=True)
    assert (found.index, found.runner_up) == (2, 1)


def test_scaling_up_stops_at_the_limit():
    found = match(LIGHT, Kind.DARK, [replace(DARK, exposure=20.0)], bias=True)
    assert found.index is None
    assert "4 times too short" in found.reason


def test_a_fact_known_on_one_side_only_costs_and_is_mentioned():
    found = match(LIGHT, Kind.DARK, [replace(DARK, temperature=None)])
    assert found.index == 0
    assert found.total == 1
    assert "temperature of the master is unknown" in found.reason
    close = match(LIGHT, Kind.DARK, [replace(DARK, temperature=None), DARK])
    assert (close.index, close.runner_up) == (1, 0)


def test_temperature_unknown_on_both_sides_is_said():
    light, dark = replace(LIGHT, temperature=None), replace(DARK, temperature=None)
    found = match(light, Kind.DARK, [dark])
    assert found.index == 0
    assert "temperature unknown on both sides" in found.reason


def test_of_equals_the_one_nearest_in_time_wins():
    darks = [replace(DARK, start=LIGHT.start + timedelta(days=d)) for d in (90, 3, 30)]
    assert match(LIGHT, Kind.DARK, darks).index == 1


BLACK = replace(DARK, black=(512.0,) * 4)


@pytest.mark.parametrize(
    ("light", "dark", "bias", "fits"),
    [
        ({"black": (512.0,)}, {"black": (512.0,) * 4}, False, True),
        ({"black": (512.0,)}, {"black": (500.0,) * 4}, False, False),
        ({}, {"black": (0.0,)}, False, True),  # its offset was subtracted already
        ({}, {}, False, False),
        ({"overscan": (0, 40, 0, 4)}, {"overscan": (0, 40, 0, 4)}, False, True),
        ({}, {}, True, True),
    ],
)
def test_a_dark_is_scaled_and_fitted_where_its_signal_is_known(light, dark, bias, fits):
    mine, rule = replace(LIGHT, **light), {"fitted_temperature": 15}
    long = match(mine, Kind.DARK, [replace(DARK, exposure=300.0, **dark)], rule, bias=bias)
    far = match(mine, Kind.DARK, [replace(DARK, temperature=4.4, **dark)], rule, bias=bias)
    assert (long.index, far.index) == ((0, 0) if fits else (None, None))
    assert (long.scaled, far.fitted) == (fits, fits)
    if fits:
        assert "9.8 °C colder, its scale fitted" in far.reason
        assert far.total == pytest.approx(9.8 / 3)


def test_a_dark_is_fitted_no_farther_than_the_recipe_says_and_never_before_a_near_one():
    darks = [replace(BLACK, temperature=t) for t in (-1.0, 4.4, 12.0)]
    light, rule = replace(LIGHT, black=BLACK.black), {"fitted_temperature": 15}
    assert match(light, Kind.DARK, darks, rule).index == 2
    assert match(light, Kind.DARK, darks[:2], rule).index == 1
    refused = match(light, Kind.DARK, darks[:1], rule)
    assert refused.index is None
    assert "15.2 °C colder; tolerance 15" in refused.reason
    assert match(light, Kind.DARK, darks[1:2]).index is None


def test_no_candidates():
    assert match(LIGHT, Kind.DARK_FLAT, []).reason == "there is no dark flat"


def test_rules_schema_holds_its_own_defaults_and_refuses_unknown_keys():
    jsonschema.Draft202012Validator.check_schema(RULES_SCHEMA)
    jsonschema.validate({k: dict(v) for k, v in DEFAULT_RULES.items()}, RULES_SCHEMA)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"dark": {"temperatur": 3}}, RULES_SCHEMA)
    assert rules_for(Kind.DARK, {"scale": False})["temperature"] == 3
    assert {rule["missing"] for rule in DEFAULT_RULES.values()} == {"as-others"}


temperatures = st.lists(st.floats(-30, 40), min_size=1, max_size=8)


@given(temperatures, st.floats(0.1, 10))
def test_a_match_is_never_beyond_tolerance_and_never_missed(values, tolerance):
    darks = [replace(DARK, temperature=t) for t in values]
    found = match(LIGHT, Kind.DARK, darks, {"temperature": tolerance})
    nearest = min(abs(t - LIGHT.temperature) for t in values)
    if found.index is None:
        assert nearest > tolerance
    else:
        assert abs(values[found.index] - LIGHT.temperature) == nearest
        assert nearest <= tolerance * (1 + 1e-9)
