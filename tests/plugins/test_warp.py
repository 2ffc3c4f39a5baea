"""The resampler keeps values, flags, star light and noise as it promises."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import ndimage

from coldframe.frame import Flag
from coldframe_steps.kernels.interpolation import coefficients, weights
from coldframe_steps.kernels.resample import weigh
from coldframe_steps.kernels.warp import METHODS, input_rows, map_points, warp, warp_rows

NO_POLY = np.zeros((2, 0))
NORM = np.array([30.0, 30.0, 60.0])
KERNELS = [m for m in METHODS if m != "nearest"]


def turned(degrees: float, dx: float, dy: float, size: int) -> np.ndarray:
    c, s = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
    q = (size - 1) / 2
    return np.array([[c, -s, q - c * q + s * q + dx], [s, c, q - s * q - c * q + dy], [0, 0, 1.0]])


def clean(image: np.ndarray) -> np.ndarray:
    return np.zeros(image.shape[-2:], np.uint8)


def noise(shape: tuple[int, ...], seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).normal(100.0, 5.0, shape).astype(np.float32)


@pytest.mark.parametrize("method", METHODS)
def test_the_identity_returns_the_same_bytes(method: str) -> None:
    image = noise((3, 40, 301))
    flags = np.zeros((40, 301), np.uint8)
    flags[7, 8] = Flag.SATURATED
    flags[9, 9] = Flag.HOT | Flag.REPAIRED
    flags[0, 300] = Flag.CLIPPED
    data, out = warp(image, flags, np.eye(3), NO_POLY, NORM, (40, 301), method, True)
    assert data.tobytes() == image.tobytes()
    assert out.tobytes() == flags.tobytes()


@pytest.mark.parametrize("method", METHODS)
def test_whole_pixels_are_copied_and_the_outside_has_no_data(method: str) -> None:
    image = noise((20, 30))
    matrix = np.array([[1.0, 0, 3], [0, 1, -2], [0, 0, 1]])
    data, flags = warp(image, clean(image), matrix, NO_POLY, NORM, (25, 30), method, True)
    assert (data[2:22, :27] == image[:, 3:]).all()
    gone = np.ones((25, 30), bool)
    gone[2:22, :27] = False
    assert (flags == np.where(gone, Flag.NO_DATA, 0)).all()
    assert not data[gone].any()


@pytest.mark.parametrize("method", KERNELS)
def test_weights_sum_to_one_and_are_exact_on_a_pixel(method: str) -> None:
    f = np.linspace(0, 1, 512).astype(np.float32)
    used = np.empty((6, f.size), np.float32)
    weigh(coefficients(method), f, used)
    np.testing.assert_allclose(weights(method, f).sum(axis=1), 1.0, atol=1e-14)
    np.testing.assert_allclose(used.sum(axis=0), 1.0, atol=5e-7)
    assert used[:, 0].tolist() == [0, 0, 1, 0, 0, 0]


maps = st.tuples(
    st.sampled_from([0.0, 0.05, 4.0, 47.0, 90.0, 180.0, 183.0]),
    st.floats(-4, 4),
    st.floats(-4, 4),
)


@settings(max_examples=25, deadline=None)
@given(move=maps, cut=st.integers(0, 50), method=st.sampled_from(METHODS), seed=st.integers(0, 99))
def test_bands_are_the_whole_to_the_last_bit(move, cut, method, seed) -> None:
    rng = np.random.default_rng(seed)
    image = noise((3, 44, 37), seed)
    flags = rng.choice([0, 0, 0, 0, 0, 0, 1, 2, 8, 16, 32, 66], size=(44, 37)).astype(np.uint8)
    matrix, poly = turned(*move, 40), rng.normal(0, 1, (2, 6))
    args = image, flags, matrix, poly, NORM, (50, 41), method, True
    whole = warp(*args)
    bands = warp_rows(*args, 0, cut), warp_rows(*args, cut, 50)
    assert np.concatenate([b[0] for b in bands], axis=1).tobytes() == whole[0].tobytes()
    assert np.concatenate([b[1] for b in bands]).tobytes() == whole[1].tobytes()


def test_a_pixel_does_not_depend_on_its_neighbours_in_the_row() -> None:
    # These shifts have no rounding, so that a column by itself sees the same positions.
    image, flags = noise((3, 60, 300)), np.zeros((60, 300), np.uint8)
    for sign in (1.0, -1.0):
        matrix = np.array([[sign, 0, 0.375 if sign > 0 else 299.375], [0, 1, 0.71875], [0, 0, 1]])
        whole = warp(image, flags, matrix, NO_POLY, NORM, (60, 300), "lanczos3", True)
        for x in (3, 41, 270):
            matrix[0, 2] += sign * x
            column = warp(image, flags, matrix, NO_POLY, NORM, (60, 1), "lanczos3", True)
            matrix[0, 2] -= sign * x
            assert (column[0][..., 0] == whole[0][..., x]).all()
            assert (column[1][:, 0] == whole[1][:, x]).all()


@pytest.mark.parametrize("slope", [0.0, 0.125, 0.375, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("step", [1, -1, 3])
def test_a_pixel_does_not_depend_on_how_its_taps_are_read(slope: float, step: int) -> None:
    # Side by side, in falling order, from windows of few rows or many, one by one. Positions are
    # binary fractions, so that plain shifts have each pixel too.
    image = noise((180, 250))
    image[::7, ::5] += 4000  # to ring around
    start = 200.375 if step < 0 else 10.375
    matrix = np.array([[step, 0, start], [slope, 1, 12.25], [0, 0, 1]])
    shape = (100, 70)
    data, flags = warp(image, clean(image), matrix, NO_POLY, NORM, shape, "lanczos3", True)
    y, x = np.mgrid[: shape[0], : shape[1]]
    u, v = np.floor(step * x + start).astype(int), slope * x + y + 12.25
    inside = flags == 0
    assert inside.sum() > 2500
    for part in np.unique(v % 1):
        shift = np.array([[1.0, 0, 0.375], [0, 1, part], [0, 0, 1]])
        args = image, clean(image), shift, NO_POLY, NORM, image.shape, "lanczos3", True
        here = inside & (v % 1 == part)
        there = np.floor(v[here]).astype(int), u[here]
        assert data[here].tobytes() == warp(*args)[0][there].tobytes()


def test_colours_are_done_as_three_frames() -> None:
    image = noise((3, 50, 50)) * np.array([1, 2, 30], np.float32)[:, None, None]
    flags = np.zeros((50, 50), np.uint8)
    flags[20:23, 20:23] = Flag.SATURATED
    flags[30, 30] = Flag.TRANSIENT
    matrix = turned(3.0, 0.2, 0.4, 50)
    data, out = warp(image, flags, matrix, NO_POLY, NORM, (50, 50), "lanczos3", True)
    for c in range(3):
        one, same = warp(image[c], flags, matrix, NO_POLY, NORM, (50, 50), "lanczos3", True)
        assert one.tobytes() == data[c].tobytes()
        assert same.tobytes() == out.tobytes()


def test_positions_are_those_of_map_points() -> None:
    # A ramp resampled bilinearly is the position itself.
    yy, xx = np.mgrid[:60, :60].astype(np.float32)
    ramps = np.stack([xx, yy, xx])
    poly = np.random.default_rng(1).normal(0, 0.3, (2, 15))
    matrix = turned(7.0, 1.2, -0.4, 60)
    matrix[2, 0] = 1e-4
    data, flags = warp(ramps, clean(xx), matrix, poly, NORM, (60, 60), "bilinear", False)
    xy = np.c_[xx.ravel(), yy.ravel()]
    uv = map_points(matrix, poly, NORM, xy).reshape(60, 60, 2)
    # Beyond the middle of the outermost pixels values are those of the edge.
    good = (flags == 0) & ((uv >= 0) & (uv <= 59)).all(axis=-1)
    assert good.sum() > 2000
    np.testing.assert_allclose(data[0][good], uv[..., 0][good], atol=2e-5)
    np.testing.assert_allclose(data[1][good], uv[..., 1][good], atol=2e-5)


@settings(max_examples=60, deadline=None)
@given(
    move=maps,
    method=st.sampled_from(METHODS),
    kind=st.sampled_from([8, 16, 2, 4, 2 | 32, 16 | 1, 8 | 64]),
    where=st.lists(st.tuples(st.integers(0, 24), st.integers(0, 24)), min_size=1, max_size=12),
    wrong=st.sampled_from([np.nan, np.inf, 1e30, -4e4]),
)
@example(move=(0.0, 0.5, 0.5), method="lanczos3", kind=8, where=[(12, 12)], wrong=np.nan)
def test_no_value_of_an_unusable_pixel_gets_into_an_unflagged_one(
    move, method, kind, where, wrong
) -> None:
    image, flags = noise((25, 25)), np.zeros((25, 25), np.uint8)
    bad = image.copy()
    for y, x in where:
        flags[y, x] = kind
        bad[y, x] = wrong
    matrix = turned(*move, 25)
    before, first = warp(image, flags, matrix, NO_POLY, NORM, (25, 25), method, True)
    after, second = warp(bad, flags, matrix, NO_POLY, NORM, (25, 25), method, True)
    assert (first == second).all()
    usable = second & np.uint8(~np.uint8(Flag.CLIPPED | Flag.SATURATED | Flag.REPAIRED)) == 0
    assert (before[usable] == after[usable]).all()
    if method != "nearest":  # which copies the pixel with its flag
        assert not after[second & Flag.NO_DATA != 0].any()
        assert np.isfinite(after).all()


@settings(max_examples=40, deadline=None)
@given(
    move=maps,
    method=st.sampled_from(METHODS),
    where=st.lists(st.tuples(st.integers(0, 24), st.integers(0, 24)), min_size=1, max_size=6),
)
def test_saturation_and_origin_are_carried_to_where_they_belong(move, method, where) -> None:
    image, flags = noise((25, 25)), np.zeros((25, 25), np.uint8)
    for y, x in where:
        flags[y, x] = Flag.SATURATED | Flag.HOT | Flag.REPAIRED
    matrix = turned(*move, 25)
    _, out = warp(image, flags, matrix, NO_POLY, NORM, (25, 25), method, True)
    yy, xx = np.mgrid[:25, :25]
    uv = map_points(matrix, NO_POLY, NORM, np.c_[xx.ravel(), yy.ravel()]).reshape(25, 25, 2)
    for y, x in where:
        distance = np.abs(uv - (x, y)).max(axis=-1)
        here = (distance < (0.499 if method == "nearest" else 0.999)) & (out & Flag.NO_DATA == 0)
        assert (out[here] & Flag.SATURATED).all()
        nearest = distance < 0.499
        assert (out[nearest] & Flag.HOT).all()
        assert (out[nearest] & Flag.REPAIRED).all()
    far = np.full((25, 25), True)
    for y, x in where:
        far &= np.abs(uv - (x, y)).max(axis=-1) > 1.001
    assert not (out[far] & (Flag.SATURATED | Flag.HOT | Flag.REPAIRED)).any()


def test_one_lost_pixel_costs_only_the_pixels_around_it() -> None:
    image, flags = noise((41, 41)), np.zeros((41, 41), np.uint8)
    flags[20, 20] = Flag.TRANSIENT
    for dx, dy in ((0.0, 0.0), (0.3, 0.6), (0.5, 0.5)):
        matrix = turned(0.0, dx, dy, 41)
        _, out = warp(image, flags, matrix, NO_POLY, NORM, (37, 37), "lanczos3", True)
        lost = out & Flag.NO_DATA != 0
        lost[:4] = lost[-4:] = lost[:, :4] = lost[:, -4:] = False
        assert 1 <= lost.sum() <= 9
        assert (out[lost] & Flag.TRANSIENT).all()
        yy, xx = np.nonzero(lost)
        assert max(abs(yy + dy - 20).max(), abs(xx + dx - 20).max()) < 2.0


def star_field(fwhm: float, peak: float, wings: bool, size: int = 208, pitch: int = 26):
    """Stars at any sub-pixel place, integrated over each pixel; their positions."""
    rng = np.random.default_rng(5)
    image, places = np.zeros((size, size)), []
    grid = np.linspace(-0.4, 0.4, 5)
    for y0 in range(0, size, pitch):
        for x0 in range(0, size, pitch):
            cy, cx = pitch / 2 + rng.uniform(-0.5, 0.5, 2)
            y, x = np.mgrid[:pitch, :pitch].astype(float)
            for oy in grid:
                for ox in grid:
                    r2 = (x + ox - cx) ** 2 + (y + oy - cy) ** 2
                    if wings:
                        alpha2 = (fwhm / 2) ** 2 / (2 ** (1 / 3.5) - 1)
                        light = (1 + r2 / alpha2) ** -3.5
                    else:
                        light = np.exp(-4 * np.log(2) * r2 / fwhm**2)
                    image[y0 : y0 + pitch, x0 : x0 + pitch] += peak * light / 25
            places.append((x0 + cx, y0 + cy))
    return image, np.array(places)


@pytest.mark.parametrize(("fwhm", "wings"), [(2.0, False), (2.8, False), (1.6, True), (2.5, True)])
@pytest.mark.parametrize("method", ["bicubic", "lanczos3"])
def test_the_light_of_unsaturated_stars_is_kept(fwhm: float, wings: bool, method: str) -> None:
    stars, places = star_field(fwhm, 40000.0, wings)
    rng = np.random.default_rng(6)
    image = (stars + 500.0 + rng.normal(0, 8, stars.shape)).astype(np.float32)
    matrix = turned(4.0, 0.3, 0.2, 208)
    data, _ = warp(image, clean(image), matrix, NO_POLY, NORM, (208, 208), method, True)
    xy = map_points(np.linalg.inv(matrix), NO_POLY, NORM, places)
    aperture = np.hypot(*np.mgrid[-11:12, -11:12]) < 10.5
    ratios = []
    for (u, v), (x, y) in zip(places, xy, strict=True):
        i, j = round(x), round(y)
        if min(i, j) < 14 or max(i, j) >= 194:
            continue
        taken = data[j - 11 : j + 12, i - 11 : i + 12] - 500.0
        k, m = round(u), round(v)
        given_ = image[m - 11 : m + 12, k - 11 : k + 12] - 500.0
        ratios.append(taken[aperture].sum(dtype=float) / given_[aperture].sum(dtype=float))
    assert len(ratios) > 30
    assert abs(np.mean(ratios) - 1) < 0.002
    assert np.std(ratios) < 0.006


def test_limiting_the_ringing_leaves_noise_alone() -> None:
    sky = noise((400, 400), 3)
    matrix = turned(9.0, 0.4, 0.3, 400)
    args = sky, clean(sky), matrix, NO_POLY, NORM, (400, 400), "lanczos3"
    free, flags = warp(*args, False)
    held, _ = warp(*args, True)
    good = flags == 0
    assert abs(held[good].mean(dtype=float) - free[good].mean(dtype=float)) < 5 * 3e-4
    assert abs(held[good].std(dtype=float) / free[good].std(dtype=float) - 1) < 1e-3
    assert abs(free[good].mean(dtype=float) - sky.mean(dtype=float)) < 5 * 0.005


@pytest.mark.parametrize("fwhm", [1.4, 2.0, 3.0])
def test_saturated_cores_keep_their_level_and_get_no_rings(fwhm: float) -> None:
    white = 60000.0
    stars, _ = star_field(fwhm, 4e5, False)
    image = np.minimum(stars + 500.0, white).astype(np.float32)
    flags = np.where(image >= white, np.uint8(Flag.SATURATED), np.uint8(0))
    assert flags.any()
    matrix = turned(4.0, 0.3, 0.2, 208)
    args = image, flags, matrix, NO_POLY, NORM, (208, 208)
    free, _ = warp(*args, "lanczos3", False)
    held, out = warp(*args, "lanczos3", True)
    good = out & Flag.NO_DATA == 0
    assert free[good].min() < 300.0  # what the limit is for
    assert free[good].max() > white * 1.02
    assert held[good].min() > 500.0 - 0.001 * white
    assert held.max() <= white
    # Near a core every value lies within its four surrounding pixels: no rings, no smear.
    yy, xx = np.mgrid[:208, :208]
    uv = map_points(matrix, NO_POLY, NORM, np.c_[xx.ravel(), yy.ravel()]).reshape(208, 208, 2)
    left, top = np.floor(uv).astype(int).transpose(2, 0, 1)
    near = good & (ndimage.maximum_filter(flags, 3)[top.clip(0, 207), left.clip(0, 207)] > 0)
    four = [image[top[near] + j, left[near] + k] for j in (0, 1) for k in (0, 1)]
    assert near.sum() > 300
    assert (held[near] <= np.max(four, axis=0)).all()
    assert (held[near] >= np.min(four, axis=0)).all()
    assert (out[near][np.max(four, axis=0) >= white] & Flag.SATURATED).all()
    assert (held[near][np.min(four, axis=0) >= white] == white).all()


@pytest.mark.parametrize("fwhm", [1.3, 2.0])
def test_strong_sharp_stars_get_no_dark_rings(fwhm: float) -> None:
    stars, _ = star_field(fwhm, 50000.0, False)
    image = (stars + 500.0).astype(np.float32)
    args = image, clean(image), turned(4.0, 0.3, 0.2, 208), NO_POLY, NORM, (208, 208), "lanczos3"
    free, flags = warp(*args, False)
    held, _ = warp(*args, True)
    good = flags == 0
    assert free[good].min() < 400.0
    assert held[good].min() > 500.0 - 0.001 * 50000.0


@pytest.mark.parametrize("size", [(1, 1), (2, 3), (5, 5), (6, 6), (1, 40)])
@pytest.mark.parametrize("method", METHODS)
def test_tiny_frames_are_no_trouble(size: tuple[int, int], method: str) -> None:
    image = noise(size)
    data, flags = warp(image, clean(image), np.eye(3), NO_POLY, NORM, size, method, True)
    assert data.tobytes() == image.tobytes()
    assert not flags.any()


def test_a_map_to_nowhere_gives_no_data() -> None:
    image = noise((20, 20))
    matrix = np.array([[1.0, 0, 0], [0, 1, 0], [0, 0, 0]])  # w is 0 everywhere
    for method in METHODS:
        data, flags = warp(image, clean(image), matrix, NO_POLY, NORM, (9, 9), method, True)
        assert (flags == Flag.NO_DATA).all()
        assert not data.any()
        band = warp_rows(image, clean(image), matrix, NO_POLY, NORM, (9, 9), method, True, 3, 5)
        assert (band[1] == Flag.NO_DATA).all()


def test_the_rows_that_a_band_needs_are_told() -> None:
    matrix = np.array([[1.0, 0, 0], [0, 1, 10.5], [0, 0, 1]])
    shape = (100, 80)
    assert input_rows(matrix, NO_POLY, NORM, shape, 100, 20, 30) == (28, 43)
    assert input_rows(matrix, NO_POLY, NORM, shape, 100, 95, 100) == (0, 0)
    assert input_rows(matrix, NO_POLY, NORM, shape, 100, 0, 100) == (8, 100)


def test_wrong_arguments_are_told() -> None:
    image = noise((20, 20))
    with pytest.raises(ValueError, match="no method is called 'cubic'"):
        warp(image, clean(image), np.eye(3), NO_POLY, NORM, (9, 9), "cubic", True)
    with pytest.raises(ValueError, match="differ in shape"):
        warp(image, clean(image)[:5], np.eye(3), NO_POLY, NORM, (9, 9), "nearest", True)
    with pytest.raises(ValueError, match="cannot have 4 terms"):
        warp(image, clean(image), np.eye(3), np.zeros((2, 4)), NORM, (9, 9), "nearest", True)
    with pytest.raises(ValueError, match=r"rows 3\.\.12"):
        warp_rows(image, clean(image), np.eye(3), NO_POLY, NORM, (9, 9), "nearest", True, 3, 12)
