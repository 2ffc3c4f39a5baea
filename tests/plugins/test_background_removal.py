"""The background's surfaces at pixels, taken off, and samples' loops, against plain numpy."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.polynomial import chebyshev

from coldframe.frame import Flag, Frame, FrameInfo
from coldframe.planes import pieces, plane_of, whole, with_planes
from coldframe.product import read_frame, write_frame
from coldframe_steps.background import removal, structure, surfaces
from coldframe_steps.kernels.surface import box_sky

SHAPES = [(300, 443), (9, 5), (1, 70), (40, 16)]
"""Several bands, rows shorter than a vector, a single row, rows of one vector."""


def polynomial(seed: int, order: int) -> surfaces.Polynomial:
    rng = np.random.default_rng(seed)
    coefficients = rng.normal(0, 20, (order + 1, order + 1))
    coefficients[0, 0] = 500
    return surfaces.Polynomial(coefficients)


def over(surface: surfaces.Polynomial, shape: tuple[int, int]) -> np.ndarray:
    y, x = surfaces.places(shape[0]), surfaces.places(shape[1])
    return chebyshev.chebgrid2d(y, x, surface.coefficients)


def frame(shape: tuple[int, ...], seed: int = 7) -> Frame:
    rng = np.random.default_rng(seed)
    flags = rng.choice(np.array([0, 0, 0, Flag.NO_DATA, Flag.SATURATED], np.uint8), shape[-2:])
    data = rng.normal(600, 30, shape).astype(np.float32)
    data[..., flags == Flag.NO_DATA] = np.nan
    return Frame(data, flags, FrameInfo(), planes={"variance": np.full_like(data, 4)})


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("colours", [1, 3])
@pytest.mark.parametrize("divide", [False, True])
@pytest.mark.parametrize("keep", [False, True])
def test_removal_is_plain_arithmetic_on_the_whole(shape, colours, divide, keep):
    given = frame(shape if colours == 1 else (3, *shape))
    made = [polynomial(c, order=2 + c) for c in range(colours)]
    sheets = [one.over(shape) for one in made]
    levels = np.array([500, 520, 480], np.float32)[:colours]
    out, ranges = removal.remove(given, sheets, levels, divide, keep)
    there = given.flags & Flag.NO_DATA == 0
    for c, surface in enumerate(made):
        exact, level = over(surface, shape), float(levels[c])
        image = given.channels[c].astype(float)
        wanted = image * level / exact - level if divide else image - exact
        result = out.reshape(given.channels.shape)[c]
        np.testing.assert_allclose(
            result[there], (wanted + keep * level)[there], rtol=1e-6, atol=1e-3
        )
        assert np.isnan(result[~there]).all()
        assert ranges[c] == pytest.approx(np.ptp(exact[there]), rel=1e-5)
        least = removal.lowest(sheets[c], given.flags)
        assert least == pytest.approx(exact[there].min(), rel=1e-6)
        if divide:
            factor = np.where(there, level / exact, 1)
            variance = removal.divided_variance(given, sheets, levels)
            np.testing.assert_allclose(
                variance.reshape(given.channels.shape)[c], 4 * factor**2, rtol=1e-5
            )


def test_a_surface_is_told_only_where_there_is_data():
    flags = np.zeros((50, 60), np.uint8)
    flags[:, :30] = Flag.NO_DATA
    slope = surfaces.Polynomial(np.array([[0.0, 10.0], [0.0, 0.0]]))
    assert removal.lowest(slope.over(flags.shape), flags) > 0
    assert removal.lowest(slope.over(flags.shape), np.zeros_like(flags)) < 0


@pytest.mark.parametrize("shape", SHAPES)
def test_nodes_are_spread_alike_in_any_rows(shape):
    """Each pixel on its own, by the four times four nodes around it."""
    nodes = np.random.default_rng(3).normal(0, 1, (8, 9))
    sheet = surfaces.NodeSheet.between(nodes, shape)
    out = np.empty(shape, np.float32)
    sheet.fill(0, out)
    (rows, down), (columns, across) = (
        surfaces.cubic_taps(side, count) for side, count in zip(shape, nodes.shape, strict=True)
    )
    four = np.arange(4)
    near = nodes[(rows[:, None] + four)[:, None, :, None], (columns[:, None] + four)[:, None]]
    np.testing.assert_allclose(
        out, np.einsum("yi,xj,yxij->yx", down, across, near), rtol=1e-5, atol=1e-6
    )
    for y in range(0, shape[0], 7):
        part = np.empty((min(5, shape[0] - y), shape[1]), np.float32)
        sheet.fill(y, part)
        np.testing.assert_array_equal(part, out[y : y + len(part)])


def test_taps_add_up_to_one():
    for pixels, nodes in ((1, 4), (5, 8), (8, 8), (100, 9)):
        first, weights = surfaces.cubic_taps(pixels, nodes)
        np.testing.assert_allclose(weights.sum(axis=1), 1)
        assert first.min() >= 0
        assert first.max() + 4 <= nodes


def test_the_plane_is_the_same_whole_in_pieces_and_from_its_file(tmp_path):
    shape = (3, 300, 443)
    sheets = tuple(polynomial(c, order=4).over(shape[1:]) for c in range(3))
    plane = removal.Background(sheets, shape)
    all_of_it = whole(plane)
    assert all_of_it.shape == shape
    assert all_of_it.dtype == np.float32
    np.testing.assert_array_equal(
        np.concatenate(list(pieces(plane))).reshape(shape), all_of_it, strict=True
    )
    for c, sheet in enumerate(sheets):
        for rows, values in removal.bands(sheet, shape[1:]):
            np.testing.assert_array_equal(values, all_of_it[c, rows])
    given = frame(shape)
    planes = with_planes(given.planes, {"background": plane})
    assert plane_of(planes, "background") is plane
    written = Frame(given.data, given.flags, given.info, planes)
    write_frame(tmp_path / "frame.fits", written)
    back = read_frame(tmp_path / "frame.fits")
    np.testing.assert_array_equal(back.planes["background"], all_of_it, strict=True)


def test_boxes_leave_out_what_is_flagged_or_not_finite():
    rng = np.random.default_rng(5)
    image = rng.normal(0, 10, (60, 90)).astype(np.float32)
    flags = rng.choice(np.array([0, 0, 0, 8, 1], np.uint8), image.shape)
    image[rng.random(image.shape) < 0.05] = np.nan
    image[rng.random(image.shape) < 0.02] = np.inf
    image[rng.random(image.shape) < 0.02] = -np.inf
    y0, x0 = np.array([-5, 10, 50, 20]), np.array([-3, 20, 80, 89])
    found = box_sky(image, flags, 8, y0, x0, 20, np.inf)
    for k, (y, x) in enumerate(zip(y0, x0, strict=True)):
        part = (slice(max(y, 0), y + 20), slice(max(x, 0), x + 20))
        left = np.sort(image[part][(flags[part] & 8 == 0) & np.isfinite(image[part])])
        assert found[k, 2] == found[k, 3] == left.size > 8
        assert found[k, 0] == np.median(left.astype(float))
        assert found[k, 1] == np.median(left.astype(float)) - left[int(0.1587 * left.size)]
    flags[:] = 8
    assert (box_sky(image, flags, 8, y0, x0, 20, 2.5) == 0).all()


@pytest.mark.parametrize("window", structure.WINDOWS)
def test_medians_of_windows_are_those_of_numpy(window):
    rng = np.random.default_rng(6)
    maps, start = rng.normal(0, 1, (2, 12, 15)), rng.random((12, 15)) < 0.6
    start[:6, :6] = False
    found = structure.window_medians(maps, start, window)
    reach, few = window // 2, 0
    for k, y, x in np.ndindex(maps.shape):
        part = (slice(max(0, y - reach), y + reach + 1), slice(max(0, x - reach), x + reach + 1))
        near = maps[k][part][start[part]]
        few += near.size < window
        assert found[k, y, x] == (np.median(near) if near.size >= window else 0)
    assert few
