"""Means of blocks against numpy and scipy."""

import numpy as np
import pytest
from scipy import ndimage

from coldframe.evidence.blocks import blocks_of, median_of_25
from coldframe.frame import Flag


@pytest.mark.parametrize("shape", [(100, 70), (3, 40), (1, 1)])
def test_median_of_25_is_that_of_scipy(shape):
    values = np.random.default_rng(0).normal(1, 0.02, shape).astype(np.float32)
    for plane in (values, np.round(values * 50) / 50):
        expected = ndimage.median_filter(plane, 5, mode="nearest")
        np.testing.assert_array_equal(median_of_25(plane), expected)


@pytest.mark.parametrize("cfa", [True, False])
@pytest.mark.parametrize("marked", [True, False])
def test_blocks_are_means_without_flagged_pixels_and_stars(cfa, marked):
    rng = np.random.default_rng(1)
    block, rows, columns = 4, 30, 41
    shape = rows * block + 3, columns * block + 1  # the rest belongs to no block
    image = rng.normal(1000, 20, shape)
    if cfa:
        image *= np.tile([[0.6, 1.0], [1.0, 0.8]], (shape[0] // 2 + 1, shape[1] // 2 + 1))[
            : shape[0], : shape[1]
        ]
    image = image.astype(np.float32)
    flags = np.zeros(shape, np.uint8)
    if marked:
        image[50:54, 60:63] *= 3  # a star
        image[9, 9], flags[9, 9] = 1e6, Flag.HOT
        image[8, 17], flags[8, 17] = -1e6, Flag.NO_DATA
        image[20:24, 40:44], flags[20:24, 40:44] = 1500, Flag.SATURATED
        image[30, 30] = np.nan
    means = blocks_of(image, flags if marked else None, block, cfa)

    height, width, step = rows * block, columns * block, 2 if cfa else 1
    even = image[:height, :width].copy()
    for y in range(step):
        for x in range(step):
            even[y::step, x::step] /= np.nanmedian(even[y::step, x::step][::5, ::5])
    good = np.isfinite(even)
    if marked:
        good &= flags[:height, :width] == 0
        first = _means(even, good, block)
        usual = ndimage.median_filter(first, 5, mode="nearest").astype(np.float32)
        away = even - np.kron(usual, np.ones((block, block), np.float32))
        good &= away < 3 * 1.4826 * np.nanmedian(np.abs(away[::3, ::3]))
    np.testing.assert_allclose(means, _means(even, good, block), rtol=1e-9)
    if marked:
        assert means[5, 10] == 1  # nothing of it is usable
        assert 0.9 < means[12, 15] < 1.1


def _means(even, good, block):
    cut = even.shape[0] // block, block, even.shape[1] // block, block
    total = np.where(good, even, 0).reshape(cut).sum((1, 3), dtype=np.float64)
    count = good.reshape(cut).sum((1, 3))
    return np.where(count > 0, total / np.maximum(count, 1), 1.0)
