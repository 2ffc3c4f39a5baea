"""What is told from lights without darks and flats, where pixels are missing or clipped."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np

from coldframe.frame import Flag, Frame, FrameInfo, Kind
from coldframe.step import Row
from coldframe_steps.integrate.missing import lacking
from coldframe_steps.register.lasting import lasting, repaired, standing_out

SHAPE = (60, 80)
NOISE, WHITE = 5.0, 4000.0  # ADU
HOT = 10 * SHAPE[1] + 12, 50 * SHAPE[1] + 70  # the first alone, the second beside NO_DATA


def make_lights(cover: float) -> list[Frame]:
    """Of a field that never moved, with a clipped star's core. cover : ADU under NO_DATA."""
    rng = np.random.default_rng(3)
    lights = []
    for _ in range(6):
        data = rng.normal(300, NOISE, SHAPE).astype(np.float32)
        flags = np.zeros(SHAPE, np.uint8)
        data.ravel()[list(HOT)] += 400
        data[30:34, 40:44], flags[30:34, 40:44] = WHITE, Flag.SATURATED
        data[50, 71], flags[50, 71] = cover, Flag.NO_DATA
        info = FrameInfo(kind=Kind.LIGHT, path="light", camera="Invented K1", shape=SHAPE)
        lights.append(Frame(data, flags, info))
    return lights


def hot_places(lights: list[Frame]) -> list[float]:
    shape = np.array(SHAPE, np.float64)
    rows = [Row(f.info, {}, {"shape": shape, **standing_out(f)}) for f in lights]
    return sorted(lasting(rows)["hot_index"])


def test_a_hot_pixel_is_told_and_neither_a_clipped_core_nor_what_lies_beside_no_data() -> None:
    for cover in (0.0, 300.0, 9000.0):
        assert hot_places(make_lights(cover)) == [HOT[0]]


def test_the_hot_pixel_becomes_sky() -> None:
    light = make_lights(0.0)[0]
    told = {
        k: np.array([v]) for k, v in {"hot_sensor": 0.0, "hot_of": 0.0, "hot_index": HOT[0]}.items()
    }
    out = repaired(light, told, 0)
    assert abs(out.data.ravel()[HOT[0]] - 300) < 3 * NOISE
    assert out.flags.ravel()[HOT[0]] == Flag.HOT | Flag.REPAIRED


def test_parts_without_sky_do_not_tell_of_vignetting() -> None:
    grid = np.full((1, 12, 12), 100.0)
    grid[:, :2, :2] = grid[:, :2, -2:] = grid[:, -2:, :2] = 80.0
    grid[:, -2:, -2:] = np.nan
    row = Row(FrameInfo(kind=Kind.LIGHT, shape=SHAPE), {"hot_from_lights": 0.0}, {"sky_grid": grid})
    empty = replace(row, survey={"sky_grid": np.full_like(grid, np.nan)})
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert "20% darker than in the centre" in lacking([row, empty])[-1]
        assert "%" not in lacking([empty])[-1]
