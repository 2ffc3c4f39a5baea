"""The proof's measures against other implementations, published formulas and Monte Carlo."""

from __future__ import annotations

import math

import numpy as np
import pytest

from coldframe.evidence.pattern import Profiles
from coldframe.evidence.stars import centres
from coldframe.evidence.trails import find_trails
from coldframe.frame import Frame, FrameInfo
from coldframe.report.figures import Depth


def test_star_centres_agree_with_windowed_centres_of_sep():
    """sep 1.4 `winpos`: windowed positions (Bertin's XWIN), an independent implementation."""
    sep = pytest.importorskip("sep")
    rng = np.random.default_rng(1)
    y, x = np.mgrid[:200, :200]
    places = np.stack(np.meshgrid(np.arange(25, 190, 30), np.arange(25, 190, 30)), -1).reshape(
        -1, 2
    )
    places = places + rng.uniform(-0.5, 0.5, places.shape)
    image = rng.normal(0, 3, (200, 200))
    for sy, sx in places:
        image += 3000 * np.exp(-((y - sy) ** 2 + (x - sx) ** 2) / (2 * 1.4**2))
    frame = Frame(image.astype(np.float32), np.zeros((200, 200), np.uint8), FrameInfo())
    own = centres(frame, np.round(places))
    wx, wy, _ = sep.winpos(image, np.round(places[:, 1]), np.round(places[:, 0]), 1.4)
    np.testing.assert_allclose(own, np.stack([wy, wx], 1), atol=0.01)
    np.testing.assert_allclose(own, places, atol=0.01)


def test_lines_agree_with_the_hough_transform_of_scikit_image():
    """scikit-image `hough_line` (Duda and Hart 1972): angle and distance of the strongest line."""
    transform = pytest.importorskip("skimage.transform")
    y, x = np.mgrid[:300, :400]
    rejected = np.abs((y - 150) * math.cos(0.4) + (x - 200) * math.sin(0.4)) < 3
    (trail,) = find_trails(rejected.astype(np.uint16))
    space, angles, distances = transform.hough_line(
        rejected, np.linspace(-np.pi / 2, np.pi / 2, 720, endpoint=False)
    )
    row, column = np.unravel_index(space.argmax(), space.shape)
    theta, rho = angles[column], distances[row]
    for sy, sx in (trail.start, trail.end):
        assert sx * math.cos(theta) + sy * math.sin(theta) == pytest.approx(rho, abs=3)


def test_the_stated_error_of_stripes_is_their_scatter():
    """Monte Carlo: 1.4826 MAD has the efficiency 0.37 (Rousseeuw and Croux 1993, JASA 88, 1273)."""
    rng = np.random.default_rng(2)
    squares, errors = [], []
    for _ in range(60):
        lines = Profiles(False)
        image = 1000 + rng.normal(0, 2.0, (300, 1)) + rng.normal(0, 12, (300, 80))
        lines.add(image.astype(np.float32), np.zeros(image.shape, np.uint8))
        found = lines.stripes(0)
        squares.append(found.sigma**2)
        errors.append(found.error)
    assert np.mean(squares) == pytest.approx(4.0, rel=0.1)
    # Differences of neighbouring rows share rows, which makes the scatter a little larger.
    assert np.std(squares) == pytest.approx(float(np.mean(errors)), rel=0.45)


@pytest.mark.parametrize(
    ("magnitudes", "times"), [(2.5 * math.log10(2), 4), (1.0, 10**0.8), (2.5, 100)]
)
def test_magnitudes_and_lights_by_pogson(magnitudes, times):
    """Pogson 1856: 2.5 log10 of a ratio of light; noise falls as 1 / sqrt(n)."""
    depth = Depth((100,), (7.0,), (0.0,), {}, 1.0, 0.0)
    assert depth.needed(7.0 * 10 ** (-0.4 * magnitudes)) == pytest.approx(100 * times, abs=1)
