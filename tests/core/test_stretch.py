"""Previews: where the sky lands, that hues and flags are kept, that averaging is exact."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldframe.frame import Flag, Frame, FrameInfo
from coldframe.grey import EQUAL, grey_response
from coldframe.stretch import (
    SKY,
    asinh_stretch,
    fit_stretch,
    preview,
    render,
    sky_level,
    srgb_encode,
)


def sky_frame(colour: bool = True, seed: int = 0) -> Frame:
    """A sky with its own colour cast, stars that are grey for a response of 0.5, 1, 0.7, a nebula."""
    rng = np.random.default_rng(seed)
    yy, xx = np.mgrid[:240, :320]
    data = np.array([400.0, 700.0, 500.0])[:, None, None] + rng.normal(0, 4, (3, 240, 320))
    response = np.array([0.5, 1.0, 0.7])
    for y, x in rng.uniform(5, 235, (220, 2)) * (1, 320 / 240):
        tint = rng.normal(0, 0.3)
        light = np.exp(-((yy - y) ** 2 + (xx - x) ** 2) / 2.5) * 10 ** rng.uniform(1.5, 4)
        data += light * (response * np.exp([tint, 0, -tint]))[:, None, None]
    nebula = 25 * np.exp(-((yy - 60) ** 2 + (xx - 250) ** 2) / 900)
    data += nebula * np.array([1.0, 0.2, 0.3])[:, None, None]
    flags = np.where(data.max(axis=0) > 9000, np.uint8(Flag.SATURATED), np.uint8(0))
    data = np.minimum(data, 9000).astype(np.float32)
    return Frame(data if colour else data[1], flags, FrameInfo(path="sky.fits"))


@pytest.mark.parametrize("together", [True, False])
@pytest.mark.parametrize("colour", [True, False])
def test_the_sky_is_a_dark_grey_and_the_faint_nebula_shows(together: bool, colour: bool) -> None:
    frame = sky_frame(colour)
    stretch = fit_stretch(frame.data, frame.flags, together=together)
    value = srgb_encode(asinh_stretch(frame.data, stretch))
    sky = np.median(value[..., 150:, :150], axis=(-2, -1))
    np.testing.assert_allclose(sky, SKY, atol=0.02)
    if colour:  # 25 ADU of nebula above noise of 4, in red
        assert np.median(value[0, 55:65, 245:255]) > sky[0] + 0.1
    assert value.max() > 0.9999
    assert 0.0 < np.mean(value == 0.0) < 0.05


def test_colours_together_keep_hues_and_makes_stars_grey() -> None:
    frame = sky_frame()
    stretch = fit_stretch(frame.data, frame.flags, together=True)
    np.testing.assert_allclose(
        np.array(stretch.gain) / stretch.gain[1], [2.0, 1.0, 1 / 0.7], rtol=0.15
    )
    assert min(stretch.gain) == 1.0
    light = asinh_stretch(frame.data, stretch)
    rise = (frame.data - np.array(stretch.black)[:, None, None]) * np.array(stretch.gain)[
        :, None, None
    ]
    inside = (light > 0.02).all(axis=0) & (rise > 0).all(axis=0)
    assert inside.sum() > 300
    np.testing.assert_allclose(
        (light / light.sum(axis=0))[:, inside], (rise / rise.sum(axis=0))[:, inside], atol=1e-3
    )
    plain = fit_stretch(frame.data, frame.flags, together=True, balance=False)
    assert plain.gain == EQUAL


def test_per_colour_each_colour_has_its_own_curve() -> None:
    frame = sky_frame()
    each = fit_stretch(frame.data, frame.flags, together=False)
    for c in range(3):
        alone = fit_stretch(frame.data[c], frame.flags, together=False)
        assert (each.black[c], each.softening[c], each.white[c]) == (
            alone.black[0],
            alone.softening[0],
            alone.white[0],
        )


def test_pixels_without_data_are_black_and_count_for_nothing() -> None:
    frame = sky_frame()
    data, flags = frame.data.copy(), frame.flags.copy()
    flags[:, :96] = Flag.NO_DATA
    data[:, :, :96] = 1e6
    flags[104:112] |= np.uint8(Flag.TRANSIENT)
    data[:, 104:112] = np.nan
    stretch = fit_stretch(data, flags, together=True)
    cut = np.r_[0:104, 112:240]
    alone = fit_stretch(data[:, cut, 96:], flags[cut, 96:], together=True)
    np.testing.assert_allclose(stretch.black, alone.black, rtol=1e-3)
    np.testing.assert_allclose(stretch.white, alone.white, rtol=1e-3)
    picture = render(Frame(data, flags, FrameInfo()), stretch)
    assert not picture[:, :96].any()
    assert picture[:, 96:].any()


def test_saturated_cores_have_no_colour() -> None:
    frame = sky_frame()
    assert frame.flags.any()
    picture = render(frame, fit_stretch(frame.data, frame.flags, together=True))
    core = picture[frame.flags != 0]
    assert (core.max(axis=1) - core.min(axis=1)).max() <= 1
    assert core.min() > 240


@settings(max_examples=40, deadline=None)
@given(
    shape=st.tuples(st.integers(1, 40), st.integers(1, 40)),
    side=st.integers(1, 45),
    colour=st.booleans(),
    holes=st.integers(0, 30),
    seed=st.integers(0, 99),
)
def test_averaging_keeps_the_mean_and_the_flags(shape, side, colour, holes, seed) -> None:
    rng = np.random.default_rng(seed)
    data = rng.normal(50, 9, (3, *shape) if colour else shape).astype(np.float32)
    flags = np.zeros(shape, np.uint8)
    for _ in range(holes):
        flags[rng.integers(shape[0]), rng.integers(shape[1])] = rng.choice([1, 8, 16, 64])
    data[..., (flags & 24) != 0] = np.nan
    small = preview(Frame(data, flags, FrameInfo()), side)
    assert max(small.shape) == min(max(shape), side)
    assert small.info.shape == small.shape
    assert np.isfinite(small.data).all()
    if max(shape) <= side:
        good = (flags & 24) == 0
        np.testing.assert_array_equal(small.data[..., good], data[..., good])
        assert ((small.flags & Flag.NO_DATA != 0) == ~good).all()
        assert ((small.flags & Flag.SATURATED != 0) == (flags == 1)).all()
    assert bool(small.flags.max() & Flag.NO_DATA) <= bool((flags & 24).any())
    assert bool((small.flags & Flag.SATURATED).any()) == bool((flags == 1).any())
    if not (flags & 24).any():
        means = small.data.mean(axis=(-2, -1), dtype=float), data.mean(axis=(-2, -1), dtype=float)
        np.testing.assert_allclose(*means, rtol=1e-4)


def test_averaging_counts_parts_of_pixels() -> None:
    frame = Frame(np.array([[0.0, 3.0, 12.0]], np.float32), np.zeros((1, 3), np.uint8), FrameInfo())
    np.testing.assert_allclose(preview(frame, 2).data, [[1.0, 9.0]], rtol=1e-6)


def test_a_frame_without_any_data_or_structure_is_no_trouble() -> None:
    nothing = Frame(
        np.zeros((3, 9, 9), np.float32), np.full((9, 9), Flag.NO_DATA, np.uint8), FrameInfo()
    )
    assert fit_stretch(nothing.data, nothing.flags, together=True) is None
    assert not render(nothing, None).any()
    for level in (0.0, -3.0, 800.0):
        flat = np.full((3, 30, 30), level, np.float32)
        frame = Frame(flat, np.zeros((30, 30), np.uint8), FrameInfo())
        for together in (True, False):
            picture = render(frame, fit_stretch(flat, frame.flags, together=together))
            np.testing.assert_allclose(picture / 255, SKY, atol=0.01)


def test_the_sky_level_ignores_stars() -> None:
    rng = np.random.default_rng(2)
    values = rng.normal(500, 5, 20000)
    values[:1500] += rng.exponential(800, 1500)
    middle, sigma = sky_level(values)
    assert abs(middle - 500) < 0.5
    # Clipping at three sigma of a normal sample leaves a sigma 1.3% low.
    assert abs(sigma / 5 - 1) < 0.05
    assert np.isnan(sky_level(np.zeros(0))).all()


def test_grey_is_told_by_steps_that_agree_only() -> None:
    rng = np.random.default_rng(3)
    noise = rng.normal(0, 1, (40000, 3))
    assert grey_response(noise) == EQUAL
    assert grey_response(noise[:50]) == EQUAL
    assert grey_response(np.zeros((1000, 3))) == EQUAL
    stars = noise.copy()
    stars[:500] += rng.exponential(300, 500)[:, None] * np.array([0.4, 1.0, 0.8])
    np.testing.assert_allclose(grey_response(stars), (0.4, 1.0, 0.8), rtol=0.02)


def test_the_sky_level_is_the_same_in_whole_numbers() -> None:
    values = np.random.default_rng(3).normal(1000, 30, (200, 300)).astype(np.uint16)
    assert sky_level(values) == sky_level(values.astype(np.float64))


def test_a_preview_of_flagged_rows_is_that_of_the_rows_that_are_left() -> None:
    data = np.random.default_rng(4).normal(100, 5, (600, 90)).astype(np.float32)
    flags = np.zeros(data.shape, np.uint8)
    flags[:290], flags[5, 7] = Flag.NO_DATA, Flag.NO_DATA | Flag.SATURATED
    small = preview(Frame(data, flags, FrameInfo()), 60)
    assert (small.flags[:29] & Flag.NO_DATA).all()
    assert not small.flags[29:].any()
    assert small.flags[0, 0] & Flag.SATURATED
    whole = preview(Frame(data, np.zeros_like(flags), FrameInfo()), 60)
    np.testing.assert_array_equal(small.data[29:], whole.data[29:])
    np.testing.assert_array_equal(small.data[:29], 0)
