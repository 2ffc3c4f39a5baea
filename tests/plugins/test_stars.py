"""Stars of simulated frames: where they are, how wide, and what is not a star."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from scipy.spatial import cKDTree

from coldframe.errors import SetAside
from coldframe.frame import Flag, Frame, FrameInfo
from coldframe_steps.register import sources
from coldframe_steps.register.stars import find_stars
from coldframe_steps.register.terms import FLAGS, FLUX, FWHM, ROUNDNESS, SNR, StarFlag

COLOURS = {
    "white": (1.0, 1.0, 1.0),
    "red": (1.0, 1.0, 0.4),
    "blue": (0.4, 1.0, 0.9),
    "deep red": (1.0, 0.3, 0.1),
}
SHAPE = (480, 640)
SKY = 1000.0


def grid_stars(rng, shape=SHAPE, step=40):
    """Stars well apart, at every sub-pixel phase."""
    y, x = np.mgrid[step // 2 : shape[0] : step, step // 2 : shape[1] : step]
    xy = np.column_stack([x.ravel(), y.ravel()]) + rng.uniform(-4, 4, (x.size, 2))
    return xy, 10 ** rng.uniform(3.6, 4.9, x.size)


def exposed(image, rng, read_noise=8.0, flags=None, **info):
    noisy = rng.poisson(np.maximum(image, 0)) + rng.normal(0, read_noise, image.shape)
    flags = np.zeros(image.shape[-2:], np.uint8) if flags is None else flags
    return Frame(noisy.astype(np.float32), flags, FrameInfo(path="light.fits", gain=1.0, **info))


def mosaic(draw_stars, xy, flux, fwhm, colour, shape=SHAPE):
    """An RGGB mosaic of stars of one colour over a coloured sky."""
    white = draw_stars(shape, xy, flux, fwhm)
    out = np.empty(shape)
    for (dy, dx), band in zip(((0, 0), (0, 1), (1, 0), (1, 1)), (0, 1, 1, 2), strict=True):
        sky = SKY * (0.6, 1.0, 0.5)[band]
        out[dy::2, dx::2] = white[dy::2, dx::2] * colour[band] + sky
    return out


def matched(field, xy):
    """Rows of the table that are clean, bright, and their errors against the truth."""
    distance, near = cKDTree(xy).query(field.table[:, :2])
    good = (distance < 1.5) & (field.table[:, FLAGS] == 0) & (field.table[:, SNR] > 20)
    return good, near[good], field.table[good, :2] - xy[near[good]]


@pytest.mark.parametrize("fwhm", [2.0, 3.0, 5.0])
def test_mono_positions_fluxes_and_widths(draw_stars, fwhm):
    rng = np.random.default_rng(1)
    xy, flux = grid_stars(rng)
    field = find_stars(exposed(draw_stars(SHAPE, xy, flux, fwhm) + SKY, rng))
    good, near, error = matched(field, xy)
    assert good.sum() > 120
    assert np.sqrt((error**2).sum(axis=1).mean()) < 0.1
    assert np.abs(error.mean(axis=0)).max() < 0.02
    assert np.median(field.table[good, FLUX] / flux[near]) == pytest.approx(1.0, abs=0.02)
    # A square pixel adds 1/12 px^2 to the variance of what falls on it.
    expected = np.sqrt(fwhm**2 + 8 * np.log(2) / 12)
    assert field.measures["fwhm"] == pytest.approx(expected, rel=0.04 if fwhm < 3 else 0.02)
    assert field.measures["roundness"] > 0.95
    assert field.measures["sky"] == pytest.approx(SKY, rel=0.003)
    assert field.measures["noise"] == pytest.approx(np.sqrt(SKY + 64), rel=0.03)
    assert field.measures["stars"] == len(field.table)


@pytest.mark.parametrize("colour", COLOURS)
@pytest.mark.parametrize("fwhm", [2.0, 3.0, 5.0])
def test_cfa_positions_do_not_depend_on_colour_or_phase(draw_stars, fwhm, colour):
    rng = np.random.default_rng(2)
    xy, flux = grid_stars(rng)
    image = mosaic(draw_stars, xy, 2 * flux, fwhm, COLOURS[colour])
    field = find_stars(exposed(image, rng, cfa="RGGB"))
    good, near, error = matched(field, xy)
    assert good.sum() > 100
    assert np.sqrt((error**2).sum(axis=1).mean()) < 0.1
    phase = np.floor(xy[near] % 2).astype(int) @ [1, 2]
    for k in range(4):
        assert np.abs(error[phase == k].mean(axis=0)).max() < 0.06
    expected = np.sqrt(np.mean(np.array([0.6, 1.0, 1.0, 0.5]) * SKY + 64))
    assert field.measures["noise"] == pytest.approx(expected, rel=0.05)
    assert field.measures["sky"] == pytest.approx(SKY * 3.1 / 4, rel=0.01)


def test_elongated_stars_are_measured_as_such(draw_stars):
    rng = np.random.default_rng(3)
    xy, flux = grid_stars(rng)
    field = find_stars(exposed(draw_stars(SHAPE, xy, flux, (5.0, 3.0)) + SKY, rng))
    good, _, _ = matched(field, xy)
    pixel = 8 * np.log(2) / 12
    expected = np.sqrt((9 + pixel) / (25 + pixel))
    assert np.median(field.table[good, ROUNDNESS]) == pytest.approx(expected, abs=0.03)


def test_colour_frames_are_measured_on_their_mean(draw_stars):
    rng = np.random.default_rng(4)
    xy, flux = grid_stars(rng)
    plane = draw_stars(SHAPE, xy, flux, 3.0)
    image = np.stack([plane * 0.5 + 500, plane + 800, plane * 0.8 + 300])
    field = find_stars(exposed(image, rng))
    good, _, error = matched(field, xy)
    assert good.sum() > 100
    assert np.sqrt((error**2).sum(axis=1).mean()) < 0.1
    assert field.measures["sky"] == pytest.approx(1600 / 3, rel=0.01)


@pytest.mark.parametrize("cfa", [None, "RGGB"])
def test_hot_pixels_cosmic_rays_and_trails_are_no_stars(draw_stars, cfa):
    rng = np.random.default_rng(5)
    xy, flux = grid_stars(rng)
    image = draw_stars(SHAPE, xy, flux, 3.0) + SKY
    y, x = rng.integers(5, SHAPE[0] - 5, 200), rng.integers(5, SHAPE[1] - 5, 200)
    away = cKDTree(xy).query(np.column_stack([x, y]))[0] > 12
    y, x = y[away], x[away]
    image[y[:80], x[:80]] += rng.uniform(300, 20000, len(y[:80]))
    for k in range(80, len(y)):  # short tracks, one pixel wide
        for j in range(3):
            image[y[k] + j, x[k] + (j + 1) // 2] += rng.uniform(800, 4000)
    rows = np.arange(SHAPE[1])
    for k in range(-4, 5):  # a satellite of FWHM 3 px right across
        line = (100 + 0.37 * rows + k).astype(int)
        image[line, rows] += 400 * np.exp(-0.5 * ((line - 100 - 0.37 * rows) / 1.27) ** 2)
    field = find_stars(exposed(image, rng, cfa=cfa))
    distance = cKDTree(xy).query(field.table[:, :2])[0]
    assert (distance > 3).sum() <= 3
    assert (distance < 1).sum() > 150
    expected = np.sqrt(9 + 8 * np.log(2) / 12)
    assert field.measures["fwhm"] == pytest.approx(expected, rel=0.05)


def test_flagged_pixels_are_left_out_and_saturated_stars_marked(draw_stars):
    rng = np.random.default_rng(6)
    xy, flux = grid_stars(rng)
    image = draw_stars(SHAPE, xy, flux, 3.0) + SKY
    flags = np.zeros(SHAPE, np.uint8)
    bright = int(np.argmax(flux))
    image[image > 6000] = 6000
    flags[image >= 6000] = Flag.SATURATED
    hurt = int(np.argsort(flux)[-40])
    column, row = np.round(xy[hurt]).astype(int)
    image[row, column + 1] = 60000
    flags[row, column + 1] = Flag.HOT
    field = find_stars(exposed(image, rng, flags=flags))
    tree = cKDTree(field.table[:, :2])
    distance, near = tree.query(xy[bright])
    assert distance < 0.5
    assert int(field.table[near, FLAGS]) & StarFlag.SATURATED
    distance, near = tree.query(xy[hurt])
    assert distance < 0.5
    assert int(field.table[near, FLAGS]) & StarFlag.BLEMISHED
    assert field.table[near, FLUX] == pytest.approx(flux[hurt], rel=0.25)


def test_a_repaired_pixel_is_as_good_as_any(draw_stars):
    rng = np.random.default_rng(7)
    xy, flux = grid_stars(rng)
    frame = exposed(draw_stars(SHAPE, xy, flux, 3.0) + SKY, rng)
    flags = np.full(SHAPE, Flag.HOT | Flag.REPAIRED, np.uint8)
    plain, repaired = find_stars(frame), find_stars(Frame(frame.data, flags, frame.info))
    np.testing.assert_array_equal(plain.table, repaired.table)


def test_nan_and_flagged_areas_do_not_spread(draw_stars):
    rng = np.random.default_rng(8)
    xy, flux = grid_stars(rng)
    frame = exposed(draw_stars(SHAPE, xy, flux, 3.0) + SKY, rng)
    frame.data[:100] = np.nan
    frame.flags[:100] = Flag.NO_DATA
    field = find_stars(frame)
    assert np.isfinite(field.table).all()
    assert field.table[:, 1].min() > 99
    assert len(field.table) > 100


def test_a_frame_without_stars_has_no_fwhm():
    rng = np.random.default_rng(9)
    field = find_stars(exposed(np.full(SHAPE, SKY), rng))
    assert field.measures["stars"] <= 2
    flat = find_stars(Frame(np.full(SHAPE, 7, np.float32), np.zeros(SHAPE, np.uint8), FrameInfo()))
    assert flat.table.shape == (0, 8)
    assert flat.measures == {"stars": 0.0, "sky": 7.0, "noise": 0.0}


def test_a_frame_without_usable_pixels_is_set_aside():
    flags = np.full(SHAPE, Flag.NO_DATA, np.uint8)
    frame = Frame(np.zeros(SHAPE, np.float32), flags, FrameInfo(path="a/dark night.fits"))
    with pytest.raises(SetAside, match=r"dark night\.fits has no usable pixels"):
        find_stars(frame)


def test_byte_order_does_not_matter(draw_stars):
    rng = np.random.default_rng(10)
    xy, flux = grid_stars(rng)
    frame = exposed(draw_stars(SHAPE, xy, flux, 3.0) + SKY, rng)
    swapped = Frame(frame.data.astype(">f4"), frame.flags, frame.info)
    np.testing.assert_array_equal(find_stars(frame).table, find_stars(swapped).table)


def test_stars_on_a_bright_nebula_are_found_and_its_knots_are_not(draw_stars):
    rng = np.random.default_rng(11)
    xy, flux = grid_stars(rng)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    glow = 4000 * np.exp(-((x - 320) ** 2 + (y - 240) ** 2) / (2 * 110.0**2))
    for k in range(12):
        cy, cx = 240 + 90 * np.sin(k), 320 + 120 * np.cos(2.3 * k)
        glow += 500 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * 14.0**2))
    field = find_stars(exposed(draw_stars(SHAPE, xy, flux, 3.0) + SKY + glow, rng))
    distance = cKDTree(xy).query(field.table[:, :2])[0]
    assert (distance < 1).sum() > 120
    assert (distance > 3).sum() <= 5


def test_twenty_thousand_stars(draw_stars):
    rng = np.random.default_rng(12)
    shape = (1600, 1600)
    xy = rng.uniform(0, 1600, (20000, 2))
    flux = 10 ** rng.uniform(3.3, 4.9, 20000)
    frame = exposed(draw_stars(shape, xy, flux, 2.5) + SKY, rng)
    field = find_stars(frame, max_stars=3000)
    assert field.measures["stars"] > 8000
    assert len(field.table) == 3000
    assert (np.diff(field.table[:, FLUX]) <= 0).all()
    distance = cKDTree(xy).query(field.table[:, :2])[0]
    assert np.median(distance) < 0.15
    assert (distance < 1.5).mean() > 0.95


@pytest.mark.parametrize(("buffer", "pieces"), [(3000, 8192), (2_000_000, 40)])
def test_a_field_too_rich_for_the_library_still_gives_its_bright_stars(
    draw_stars, monkeypatch, buffer, pieces
):
    rng = np.random.default_rng(13)
    xy = rng.normal(200, 60, (1500, 2))
    flux = 10 ** rng.uniform(3.0, 4.9, 1500)
    frame = exposed(draw_stars((400, 400), xy, flux, 4.0) + SKY, rng)
    monkeypatch.setattr(sources, "PIXEL_BUFFER", buffer)
    monkeypatch.setattr(sources, "SUB_OBJECTS", pieces)
    limits = []
    extract = sources.sep.extract

    def spy(image, limit, **more):
        limits.append(limit)
        return extract(image, limit, **more)

    monkeypatch.setattr(sources.sep, "extract", spy)
    field = find_stars(frame)
    assert len(limits) > 1  # the first try met the library's limit
    assert len(field.table) > 80
    distance = cKDTree(xy).query(field.table[:, :2])[0]
    assert (distance < 2).mean() > 0.8


def test_any_other_trouble_of_the_library_is_not_hidden(monkeypatch):
    def trouble(*_args, **_more):
        raise RuntimeError("something else")

    monkeypatch.setattr(sources.sep, "extract", trouble)
    with pytest.raises(RuntimeError, match="something else"):
        find_stars(exposed(np.full(SHAPE, SKY), np.random.default_rng(0)))


def test_wide_stars_are_found_too(draw_stars):
    rng = np.random.default_rng(14)
    xy, flux = grid_stars(rng)
    field = find_stars(exposed(draw_stars(SHAPE, xy, 10 * flux, 9.0) + SKY, rng))
    good, _, error = matched(field, xy)
    assert good.sum() > 120
    assert np.sqrt((error**2).sum(axis=1).mean()) < 0.1
    assert np.median(field.table[good, FWHM]) == pytest.approx(9.04, rel=0.03)


@pytest.mark.parametrize("shape", [(1, 1), (2, 2), (7, 5), (3, 40)])
@pytest.mark.parametrize("cfa", [None, "RGGB"])
def test_tiny_frames_have_no_stars_or_are_set_aside(shape, cfa):
    data = np.random.default_rng(0).normal(100, 5, shape).astype(np.float32)
    frame = Frame(data, np.zeros(shape, np.uint8), FrameInfo(cfa=cfa))
    if cfa and min(shape) < 2:
        with pytest.raises(SetAside, match="no usable pixels"):
            find_stars(frame)
    else:
        assert find_stars(frame).measures["stars"] == 0


def test_threads_find_the_same_stars(draw_stars):
    rng = np.random.default_rng(15)
    xy, flux = grid_stars(rng)
    frames = [exposed(draw_stars(SHAPE, xy, flux, 3.0) + SKY, rng) for _ in range(4)]
    alone = [find_stars(frame).table for frame in frames]
    with ThreadPoolExecutor(4) as pool:
        together = list(pool.map(lambda frame: find_stars(frame).table, frames))
    for a, b in zip(alone, together, strict=True):
        np.testing.assert_array_equal(a, b)
