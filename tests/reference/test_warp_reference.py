"""The resampler against other implementations, published kernels and a signal known exactly."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage
from skimage import transform

from coldframe_steps.kernels.interpolation import coefficients, weights
from coldframe_steps.kernels.resample import weigh
from coldframe_steps.kernels.warp import map_points, warp

NO_POLY = np.zeros((2, 0))
NORM = np.array([40.0, 30.0, 50.0])


def turned(degrees: float, shift: tuple[float, float] = (0.3, -1.7), scale: float = 1.0):
    c, s = scale * np.cos(np.deg2rad(degrees)), scale * np.sin(np.deg2rad(degrees))
    q = 35.0  # turn about the middle of a 71-pixel square
    return np.array(
        [[c, -s, q - c * q + s * q + shift[0]], [s, c, q - s * q - c * q + shift[1]], [0, 0, 1]]
    )


def picture(seed: int = 4, size: int = 71) -> np.ndarray:
    return np.random.default_rng(seed).normal(100.0, 10.0, (size, size)).astype(np.float32)


def resampled(image, matrix, method, poly=NO_POLY, norm=NORM):
    flags = np.zeros(image.shape[-2:], np.uint8)
    return warp(image, flags, matrix, poly, norm, image.shape[-2:], method, False)


def interior(uv: np.ndarray, size: int) -> np.ndarray:
    """Where all six taps lie in the frame."""
    whole = np.floor(uv)
    return ((whole >= 2) & (whole <= size - 4)).all(axis=1)


@pytest.mark.parametrize("degrees", [0.4, 33.0, 180.0])
@pytest.mark.parametrize(("method", "order"), [("nearest", 0), ("bilinear", 1), ("bicubic", 3)])
def test_agrees_with_scikit_image(degrees: float, method: str, order: int) -> None:
    # scikit-image `transform.warp`; its order 3 is cubic convolution with a = -1/2 for
    # homographies (float64 path), so agreement also shows which a this is.
    image, matrix = picture(), turned(degrees)
    ours, _ = resampled(image, matrix, method)
    theirs = transform.warp(image.astype(np.float64), matrix, order=order, preserve_range=True)
    yy, xx = np.mgrid[:71, :71]
    inside = interior(map_points(matrix, NO_POLY, NORM, np.c_[xx.ravel(), yy.ravel()]), 71)
    assert inside.sum() > 2000
    np.testing.assert_allclose(ours.ravel()[inside], theirs.ravel()[inside], atol=1e-3)


def test_a_projective_map_agrees_with_scikit_image() -> None:
    image = picture()
    matrix = turned(5.0)
    matrix[2, :2] = 4e-4, -3e-4
    ours, flags = resampled(image, matrix, "bicubic")
    theirs = transform.warp(image.astype(np.float64), matrix, order=3, preserve_range=True)
    yy, xx = np.mgrid[:71, :71]
    xy = np.c_[xx.ravel(), yy.ravel()]
    points = transform.ProjectiveTransform(matrix=matrix)(xy)
    np.testing.assert_allclose(map_points(matrix, NO_POLY, NORM, xy), points, rtol=1e-12)
    inside = interior(points, 71)
    np.testing.assert_allclose(ours.ravel()[inside], theirs.ravel()[inside], atol=1e-3)
    assert not flags.ravel()[inside].any()


def test_a_polynomial_map_agrees_with_scipy_and_scikit_image() -> None:
    # scipy.ndimage.map_coordinates order 1 for the values; scikit-image PolynomialTransform, whose
    # terms come in the same order (1, x, y, x^2, xy, y^2, ...), for the positions.
    rng = np.random.default_rng(8)
    image = picture()
    poly = rng.normal(0.0, 1.0, (2, 10))
    matrix = turned(2.0)
    yy, xx = np.mgrid[:71, :71]
    xy = np.c_[xx.ravel(), yy.ravel()].astype(float)
    centred = (xy - NORM[:2]) / NORM[2]
    expected = transform.PolynomialTransform(poly)(centred)
    expected += transform.AffineTransform(matrix=matrix)(xy)
    uv = map_points(matrix, poly, NORM, xy)
    np.testing.assert_allclose(uv, expected, atol=1e-10)
    ours, _ = resampled(image, matrix, "bilinear", poly)
    theirs = ndimage.map_coordinates(image.astype(np.float64), uv[:, ::-1].T, order=1)
    inside = interior(uv, 71)
    assert inside.sum() > 2000
    np.testing.assert_allclose(ours.ravel()[inside], theirs[inside], atol=1e-3)


def test_cubic_weights_are_those_of_keys() -> None:
    # Keys (1981), IEEE Trans. Acoust. Speech Signal Process. 29, 1153, eq. 15: the four weights
    # at distance s from the second of four samples.
    s = np.linspace(0.0, 1.0, 51)
    keys = np.stack(
        [
            (-(s**3) + 2 * s**2 - s) / 2,
            (3 * s**3 - 5 * s**2 + 2) / 2,
            (-3 * s**3 + 4 * s**2 + s) / 2,
            (s**3 - s**2) / 2,
        ],
        axis=1,
    )
    np.testing.assert_allclose(weights("bicubic", s)[:, 1:5], keys, atol=1e-14)
    assert not weights("bicubic", s)[:, [0, 5]].any()


def test_lanczos_weights_are_the_windowed_sinc() -> None:
    # Duchon (1979), J. Appl. Meteorol. 18, 1016: sinc(x) sinc(x / 3), |x| < 3, here divided by the
    # sum of the six; and the ninth-order polynomials that the pixel loop uses instead.
    f = np.linspace(0.0, 1.0, 1008)
    distance = f[:, None] - np.arange(-2, 4)
    direct = np.ones_like(distance)
    some = distance != 0
    x = np.pi * distance[some]
    direct[some] = 3 * np.sin(x) * np.sin(x / 3) / x**2
    direct[np.abs(distance) >= 3] = 0.0
    direct /= direct.sum(axis=1, keepdims=True)
    # Freed of their first moment by the least-norm change, here solved for as such.
    conditions = np.vstack([np.ones(6), np.arange(-2, 4)])
    lacking = np.vstack([np.zeros(f.size), (direct * distance).sum(axis=1)])
    assert 0.01 < np.abs(lacking).max() < 0.021
    direct += (np.linalg.pinv(conditions) @ lacking).T
    np.testing.assert_allclose(weights("lanczos3", f), direct, atol=1e-14)
    used = np.empty((6, f.size), np.float32)
    weigh(coefficients("lanczos3"), f.astype(np.float32), used)
    np.testing.assert_allclose(used.T, direct, atol=5e-7)


def test_errors_fall_from_nearest_to_lanczos_on_a_band_limited_signal() -> None:
    # A sum of plane waves is known between the pixels: no other implementation is involved.
    rng = np.random.default_rng(2)
    size = 96
    waves = [
        (rng.uniform(-0.25, 0.25), rng.uniform(-0.25, 0.25), rng.uniform(0, 7)) for _ in range(12)
    ]

    def signal(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return sum(np.cos(2 * np.pi * (a * x + b * y) + p) for a, b, p in waves)

    yy, xx = np.mgrid[:size, :size].astype(float)
    image = signal(xx, yy).astype(np.float32)
    matrix = turned(11.0)
    uv = map_points(matrix, NO_POLY, NORM, np.c_[xx.ravel(), yy.ravel()])
    inside = interior(uv, size)
    truth = signal(uv[:, 0], uv[:, 1])[inside]
    rms = {}
    for method in ("nearest", "bilinear", "bicubic", "lanczos3"):
        ours, _ = resampled(image, matrix, method)
        rms[method] = np.sqrt(np.mean((ours.ravel()[inside] - truth) ** 2)) / truth.std()
    assert rms["nearest"] > 2 * rms["bilinear"]
    assert rms["bilinear"] > 2 * rms["bicubic"]
    assert rms["bicubic"] > 2 * rms["lanczos3"]
    assert rms["lanczos3"] < 0.02
