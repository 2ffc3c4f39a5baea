"""Demosaicing keeps values, borders and flags right."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from coldframe.errors import SetAside
from coldframe.frame import Flag, Frame, FrameInfo
from coldframe.step import Context
from coldframe_steps.kernels.demosaic import METHODS, demosaic
from coldframe_steps.kernels.mosaic import colour_response, red_site
from coldframe_steps.register.demosaic import Demosaic

PATTERNS = ("RGGB", "GRBG", "GBRG", "BGGR")
UNUSABLE = (Flag.NO_DATA, Flag.TRANSIENT, Flag.HOT, Flag.COLD, Flag.TRANSIENT | Flag.SATURATED)


def colour_at(cfa: str, y: int, x: int) -> int:
    return "RGB".index(cfa[2 * (y % 2) + x % 2])


def noise(shape: tuple[int, int], seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).normal(1000.0, 100.0, shape).astype(np.float32)


shapes = st.tuples(st.integers(2, 13), st.integers(2, 13))


@settings(max_examples=40, deadline=None)
@given(shape=shapes, cfa=st.sampled_from(PATTERNS), method=st.sampled_from(METHODS))
def test_measured_values_pass_and_flat_colours_stay_flat_to_the_border(shape, cfa, method) -> None:
    mosaic, clean = noise(shape), np.zeros(shape, np.uint8)
    rgb, flags = demosaic(mosaic, clean, cfa, method)
    assert not flags.any()
    flat = np.empty(shape, np.float32)
    for y in range(shape[0]):
        for x in range(shape[1]):
            assert rgb[colour_at(cfa, y, x), y, x] == mosaic[y, x]
            flat[y, x] = (300.0, 700.0, 200.0)[colour_at(cfa, y, x)]
    # Each colour alone is bilinear; the correction wants equal structure, which a flat has.
    even, _ = demosaic(flat, clean, cfa, method)
    expected = np.broadcast_to(np.array([300, 700, 200])[:, None, None], even.shape)
    np.testing.assert_allclose(even, expected, rtol=1e-6)


@pytest.mark.parametrize("cfa", PATTERNS)
@pytest.mark.parametrize("method", METHODS)
def test_a_slope_is_exact(cfa: str, method: str) -> None:
    yy, xx = np.mgrid[:21, :20].astype(np.float32)
    slope = 100 + 3 * yy - 2 * xx
    rgb, _ = demosaic(slope, np.zeros(slope.shape, np.uint8), cfa, method)
    np.testing.assert_allclose(
        rgb[:, 2:-2, 2:-2], np.broadcast_to(slope, rgb.shape)[:, 2:-2, 2:-2], rtol=1e-6
    )


@pytest.mark.parametrize("method", METHODS)
def test_a_pattern_is_the_same_picture_moved_by_a_pixel(method: str) -> None:
    mosaic, clean = noise((24, 24)), np.zeros((24, 24), np.uint8)
    rggb, _ = demosaic(mosaic, clean, "RGGB", method)
    grbg, _ = demosaic(mosaic[:, 1:], clean[:, 1:], "GRBG", method)
    bggr, _ = demosaic(mosaic[1:, 1:], clean[1:, 1:], "BGGR", method)
    np.testing.assert_array_equal(rggb[:, 3:-3, 4:-3], grbg[:, 3:-3, 3:-3])
    np.testing.assert_array_equal(rggb[:, 4:-3, 4:-3], bggr[:, 3:-3, 3:-3])


marked = st.lists(
    st.tuples(st.integers(0, 12), st.integers(0, 11), st.sampled_from(UNUSABLE)),
    min_size=1,
    max_size=25,
)


@settings(max_examples=150, deadline=None)
@given(
    where=marked,
    cfa=st.sampled_from(PATTERNS),
    method=st.sampled_from(METHODS),
    wrong=st.sampled_from([np.nan, np.inf, -1e30, 1e7]),
)
def test_every_pixel_that_an_unusable_site_reaches_is_flagged(where, cfa, method, wrong) -> None:
    mosaic, flags = noise((13, 12)), np.zeros((13, 12), np.uint8)
    bad = mosaic.copy()
    for y, x, flag in where:
        flags[y, x] = flag
        bad[y, x] = wrong
    before, first = demosaic(mosaic, flags, cfa, method)
    after, second = demosaic(bad, flags, cfa, method)
    assert (first == second).all()
    reached = ~((before == after) | (np.isnan(before) & np.isnan(after))).all(axis=0)
    unusable = np.uint8(Flag.NO_DATA | Flag.TRANSIENT | Flag.HOT | Flag.COLD)
    assert (second[reached] & unusable).all()
    # And no flood: only the bad sites themselves, unless a colour has no usable site left.
    lonely = second & unusable != flags & unusable
    assert (second[lonely] & Flag.NO_DATA).all()
    for y, x in zip(*np.nonzero(lonely), strict=True):
        around = flags[max(0, y - 1) : y + 2, max(0, x - 1) : x + 2]
        assert np.count_nonzero(around) >= (1 if 0 in (y, x) or y == 12 or x == 11 else 2)


@settings(max_examples=80, deadline=None)
@given(
    where=st.lists(st.tuples(st.integers(0, 12), st.integers(0, 11)), min_size=1, max_size=6),
    cfa=st.sampled_from(PATTERNS),
    method=st.sampled_from(METHODS),
)
def test_every_pixel_that_a_saturated_site_reaches_is_flagged(where, cfa, method) -> None:
    mosaic, flags = noise((13, 12)), np.zeros((13, 12), np.uint8)
    brighter = mosaic.copy()
    for y, x in where:
        flags[y, x] = Flag.SATURATED
        brighter[y, x] = 6e4
    before, _ = demosaic(mosaic, flags, cfa, method)
    after, out = demosaic(brighter, flags, cfa, method)
    reached = (before != after).any(axis=0)
    assert (out[reached] & Flag.SATURATED).all()
    near = np.zeros((15, 14), bool)
    for y, x in where:
        near[y : y + 3, x : x + 3] = True
    assert not (out & Flag.SATURATED)[~near[1:-1, 1:-1]].any()


@pytest.mark.parametrize("method", METHODS)
def test_repaired_sites_are_used_and_marked_only_where_they_are(method: str) -> None:
    mosaic, flags = noise((12, 12)), np.zeros((12, 12), np.uint8)
    flags[5, 6] = Flag.HOT | Flag.REPAIRED
    plain, _ = demosaic(mosaic, np.zeros_like(flags), "RGGB", method)
    rgb, out = demosaic(mosaic, flags, "RGGB", method)
    assert rgb.tobytes() == plain.tobytes()
    assert out.tobytes() == flags.tobytes()


@pytest.mark.parametrize("method", METHODS)
def test_clipped_sites_are_carried_and_change_no_value(method: str) -> None:
    mosaic, flags = noise((12, 12)), np.zeros((12, 12), np.uint8)
    flags[4, 4] = Flag.CLIPPED  # red of RGGB
    plain, _ = demosaic(mosaic, np.zeros_like(flags), "RGGB", method)
    rgb, out = demosaic(mosaic, flags, "RGGB", method)
    assert rgb.tobytes() == plain.tobytes()
    expected = np.zeros_like(flags)
    expected[3:6, 3:6] = Flag.CLIPPED
    assert (out == expected).all()


def test_around_a_cut_off_core_the_correction_is_left_out() -> None:
    # Green is cut off at the white level, red and blue are not: the correction would take the
    # missing green for structure.
    yy, xx = np.mgrid[:41, :41]
    star = 3e5 * np.exp(-((yy - 20.3) ** 2 + (xx - 19.8) ** 2) / 6.0) + 800.0
    gain = np.where((yy + xx) % 2 == 1, 1.0, 0.5)
    mosaic = np.minimum(star * gain, 6e4).astype(np.float32)
    flags = np.where(mosaic >= 6e4, np.uint8(Flag.SATURATED), np.uint8(0))
    response = 0.5, 1.0, 0.5
    naive, _ = demosaic(mosaic, np.zeros_like(flags), "RGGB", "linear-5x5", response)
    rgb, out = demosaic(mosaic, flags, "RGGB", "linear-5x5", response)
    plain, _ = demosaic(mosaic, flags, "RGGB", "bilinear")
    assert naive.max() > 7e4
    assert rgb.max() <= 6e4
    diamond = np.abs(np.mgrid[-2:3, -2:3]).sum(axis=0) <= 2
    near = ndimage.binary_dilation(flags > 0, diamond)
    assert near.sum() > flags.sum() > 0
    same = np.isclose(rgb, plain, rtol=1e-6).all(axis=0)
    assert same[near].all()
    assert not same[ndimage.binary_dilation(near, iterations=2) & ~near].any()
    assert (out[flags > 0] & Flag.SATURATED).all()


def star_mosaic(response: tuple[float, float, float], cfa: str, noise_: float):
    """Stars of many colours, grey on average, on a sky of its own colour; truth (3, y, x)."""
    rng = np.random.default_rng(3)
    size = 420
    truth = np.array([300.0, 500.0, 350.0])[:, None, None] * np.ones((3, size, size))
    y, x = np.mgrid[:25, :25]
    for cy, cx in rng.uniform(13, size - 13, (150, 2)):
        tint = rng.normal(0.0, 0.3)
        colour = np.array(response) * np.exp([tint, 0.0, -tint])
        top, left = round(cy) - 12, round(cx) - 12
        light = np.exp(-((y + top - cy) ** 2 + (x + left - cx) ** 2) / 2.4)
        peak = 10 ** rng.uniform(2.0, 4.0)
        truth[:, top : top + 25, left : left + 25] += peak * colour[:, None, None] * light
    index = np.array([[colour_at(cfa, j, i) for i in (0, 1)] for j in (0, 1)])
    mosaic = np.take_along_axis(truth, np.tile(index, (size // 2, size // 2))[None], 0)[0]
    return truth, (mosaic + rng.normal(0, noise_, mosaic.shape)).astype(np.float32)


@pytest.mark.parametrize("cfa", ["RGGB", "GBRG"])
def test_the_response_to_colours_is_found_and_makes_stars_better(cfa: str) -> None:
    response = 0.5, 1.0, 0.65
    truth, mosaic = star_mosaic(response, cfa, 5.0)
    flags = np.zeros(mosaic.shape, np.uint8)
    found = colour_response(mosaic, flags, cfa)
    np.testing.assert_allclose(found, response, rtol=0.15)
    ours, _ = demosaic(mosaic, flags, cfa, "linear-5x5")
    equal, _ = demosaic(mosaic, flags, cfa, "linear-5x5", (1.0, 1.0, 1.0))
    plain, _ = demosaic(mosaic, flags, cfa, "bilinear")
    error = {
        n: np.sqrt(np.mean((d - truth)[[0, 2]] ** 2))
        for n, d in (("ours", ours), ("equal", equal), ("plain", plain))
    }
    assert error["ours"] < 0.75 * error["equal"]
    assert error["equal"] < error["plain"]


def test_the_response_is_equal_where_nothing_tells_it() -> None:
    flags = np.zeros((400, 400), np.uint8)
    assert colour_response(noise((400, 400)), flags, "RGGB") == (1.0, 1.0, 1.0)
    assert colour_response(np.full((400, 400), 7, np.float32), flags, "RGGB") == (1.0, 1.0, 1.0)
    assert colour_response(noise((40, 40)), flags[:40, :40], "RGGB") == (1.0, 1.0, 1.0)


def test_the_response_is_not_told_by_unusable_or_saturated_pixels() -> None:
    _, mosaic = star_mosaic((0.5, 1.0, 0.65), "RGGB", 5.0)
    flags = np.zeros(mosaic.shape, np.uint8)
    rng = np.random.default_rng(2)
    for y, x in rng.integers(0, 420, (60, 2)):
        flags[y, x] = rng.choice([1, 2, 4, 8, 16])
    wild = np.where(flags > 0, np.float32(np.nan), mosaic)
    assert colour_response(wild, flags, "RGGB") == colour_response(mosaic, flags, "RGGB")


def test_the_step_makes_a_colour_frame() -> None:
    info = FrameInfo(path="night/a.dng", cfa="gbrg".upper(), shape=(10, 12))
    frame = Frame(
        noise((10, 12)), np.zeros((10, 12), np.uint8), info, {"variance": noise((10, 12))}
    )
    ctx = Context(params={"method": "linear-5x5"})
    out = Demosaic().apply(frame, ctx)
    rgb, _ = demosaic(frame.data, frame.flags, "GBRG", "linear-5x5")
    assert out.data.tobytes() == rgb.tobytes()
    assert out.info.cfa is None
    assert not out.planes
    assert out.history == ("demosaic: GBRG by linear-5x5",)
    assert Demosaic().apply(out, ctx) is out


@pytest.mark.parametrize(
    ("cfa", "said"),
    [
        (None, "no CFA pattern is known"),
        ("RGBW", "'RGBW' is not one of"),
        ("GGRB", "'GGRB' is not"),
    ],
)
def test_a_frame_that_is_no_bayer_mosaic_is_set_aside(cfa: str | None, said: str) -> None:
    frame = Frame(noise((8, 8)), np.zeros((8, 8), np.uint8), FrameInfo(path="x/b.fits", cfa=cfa))
    with pytest.raises(SetAside, match=said) as caught:
        Demosaic().apply(frame, Context(params={"method": "bilinear"}))
    assert "b.fits" in str(caught.value)
    assert "notes file" in str(caught.value)


def test_wrong_arguments_are_told() -> None:
    assert [red_site(cfa) for cfa in PATTERNS] == [(0, 0), (0, 1), (1, 0), (1, 1)]
    with pytest.raises(ValueError, match="no demosaicing is called 'cubic'"):
        demosaic(noise((8, 8)), np.zeros((8, 8), np.uint8), "RGGB", "cubic")
    with pytest.raises(ValueError, match="response to three colours"):
        demosaic(noise((8, 8)), np.zeros((8, 8), np.uint8), "RGGB", "linear-5x5", (1.0, 0.0, 1.0))
    with pytest.raises(ValueError, match="cannot demosaic"):
        demosaic(noise((1, 8)), np.zeros((1, 8), np.uint8), "RGGB", "bilinear")
