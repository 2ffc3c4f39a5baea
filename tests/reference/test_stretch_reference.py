"""Display encoding and stretch against the standard, the paper and other implementations."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from PIL import Image
from skimage.color import rgb2xyz, xyz2rgb

from coldframe.frame import Frame, FrameInfo
from coldframe.stretch import Stretch, asinh_stretch, preview, srgb_decode, srgb_encode


def test_srgb_is_that_of_the_standard() -> None:
    # IEC 61966-2-1:1999, 5.2: the constants, written out here once more. The two pieces meet at
    # 0.0031308 only to a few parts in 10^8, as the standard's rounding has it.
    light = np.linspace(0.0, 1.0, 20001)
    value = np.array(
        [12.92 * x if x <= 0.0031308 else 1.055 * x ** (1 / 2.4) - 0.055 for x in light]
    )
    np.testing.assert_allclose(srgb_encode(light), value, atol=1e-15)
    back = np.array([v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in value])
    np.testing.assert_allclose(srgb_decode(value), back, atol=1e-15)
    np.testing.assert_allclose(srgb_decode(srgb_encode(light)), light, atol=2e-7)
    # The middle grey of 18% is 118 of 255 and full light is 255 (from memory).
    assert np.rint(255 * srgb_encode(np.array([0.0, 0.18, 1.0]))).tolist() == [0, 118, 255]


def test_srgb_agrees_with_scikit_image() -> None:
    # For greys scikit-image's XYZ is light times the white point, whatever the primaries.
    grey = np.linspace(0.0, 1.0, 257)
    xyz = rgb2xyz(np.repeat(grey[:, None], 3, axis=1))
    np.testing.assert_allclose(srgb_decode(grey), xyz[:, 1], atol=1e-6)
    light = np.linspace(0.01, 0.99, 99)
    white = rgb2xyz(np.ones((1, 3)))
    np.testing.assert_allclose(srgb_encode(light), xyz2rgb(light[:, None] * white)[:, 1], atol=1e-5)


def test_srgb_agrees_with_a_colour_library() -> None:
    # colour-science, cctf_encoding("sRGB").
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of its optional parts that are not installed
        from colour import cctf_encoding
    light = np.linspace(0.0, 1.0, 513)
    np.testing.assert_allclose(srgb_encode(light), cctf_encoding(light, "sRGB"), atol=1e-12)


def test_the_stretch_of_colours_together_is_that_of_the_paper() -> None:
    # Lupton et al. (2004), PASP 116, 133, equations 1 to 4: I = (r + g + b) / 3, R = r f(I) / I,
    # all divided by the greatest when that is above 1; f(x) = asinh(x / softening) here divided
    # by its value at white. Worked out pixel by pixel.
    rng = np.random.default_rng(4)
    black, gain, soft, white = (100.0, 120.0, 90.0), (1.5, 1.0, 1.25), 8.0, 900.0
    data = (rng.uniform(0, 2500, (3, 20, 20)) + np.array(black)[:, None, None]).astype(np.float32)
    stretch = Stretch(black, gain, (soft,) * 3, (white,) * 3, together=True)
    ours = asinh_stretch(data, stretch)
    for y in range(20):
        for x in range(20):
            r, g, b = ((float(data[c, y, x]) - black[c]) * gain[c] for c in range(3))
            mean = (r + g + b) / 3
            factor = np.arcsinh(mean / soft) / np.arcsinh(white / soft) / mean
            most = max(r * factor, g * factor, b * factor, 1.0)
            paper = [v * factor / most for v in (r, g, b)]
            np.testing.assert_allclose(ours[:, y, x], paper, rtol=1e-4, atol=1e-5)


@pytest.mark.parametrize(("size", "side"), [((60, 90), 30), ((64, 48), 16), ((40, 40), 20)])
def test_averaging_down_by_a_whole_factor_agrees_with_pillow(size, side) -> None:
    # Pillow Image.reduce: the mean over blocks.
    image = np.random.default_rng(1).normal(100, 10, size).astype(np.float32)
    frame = Frame(image, np.zeros(size, np.uint8), FrameInfo())
    ours = preview(frame, side)
    theirs = Image.fromarray(image).reduce(max(size) // side)
    np.testing.assert_allclose(ours.data, np.asarray(theirs), atol=1e-4)
