"""Registration against published limits, another library's fits, and a real crowded image."""

from __future__ import annotations

from pathlib import Path

import astropy
import numpy as np
import pytest
from astropy.io import fits
from astropy.modeling.fitting import TRFLSQFitter
from astropy.modeling.models import Gaussian2D
from scipy import ndimage

from coldframe.frame import Flag, Frame, FrameInfo
from coldframe_steps.register.align import align
from coldframe_steps.register.stars import find_stars
from coldframe_steps.register.terms import FLUX, FWHM, ROUNDNESS, SNR

# The globular cluster M13, as astropy ships it with the tests of its compressed images: plain
# and compressed by four methods.
CLUSTER = Path(astropy.__file__).parent / "io/fits/hdu/compressed/tests/data"


def bare(image, flags=None, **info):
    flags = np.zeros(image.shape, np.uint8) if flags is None else flags
    return Frame(image.astype(np.float32), flags, FrameInfo(path="m13.fits", **info))


@pytest.mark.parametrize("fwhm", [2.5, 4.0])
@pytest.mark.parametrize("light", [3000.0, 12000.0])
def test_positions_and_snr_reach_kings_limits(draw_stars, fwhm, light):
    """King 1983, PASP 95, 163: against a flat sky of noise n per pixel, a Gaussian star of flux F
    has SNR F / (n sqrt(4 pi) sigma) and position error sqrt(2) sigma / SNR along each axis."""
    rng = np.random.default_rng(1)
    noise, sigma = 20.0, np.sqrt((fwhm / 2.3548) ** 2 + 1 / 12)
    xy = np.stack(np.meshgrid(np.arange(20, 790, 32.0), np.arange(20, 790, 32.0)), -1)
    xy = xy.reshape(-1, 2) + rng.uniform(-0.5, 0.5, (xy.size // 2, 2))
    image = draw_stars((800, 800), xy, np.full(len(xy), light), fwhm)
    field = find_stars(bare(image + 100 + rng.normal(0, noise, image.shape)))
    snr = light / (noise * np.sqrt(4 * np.pi) * sigma)
    assert np.median(field.table[:, SNR]) == pytest.approx(snr, rel=0.05)
    distance = np.linalg.norm(field.table[:, None, :2] - xy[None], axis=2)
    near = distance.argmin(axis=1)
    error = (field.table[:, :2] - xy[near])[distance.min(axis=1) < 2]
    assert len(error) > 500
    limit = np.sqrt(2) * sigma / snr
    assert error.std() < 1.1 * limit
    assert np.abs(error.mean(axis=0)).max() < 0.1 * limit + 0.003


def test_shapes_and_fluxes_equal_astropys_gaussian_fits(draw_stars):
    rng = np.random.default_rng(2)
    xy = np.stack(np.meshgrid(np.arange(30, 300, 40.0), np.arange(30, 300, 40.0)), -1)
    xy = xy.reshape(-1, 2) + rng.uniform(-0.5, 0.5, (xy.size // 2, 2))
    image = draw_stars((320, 320), xy, np.full(len(xy), 40000.0), (3.6, 2.8))
    image = image + rng.normal(0, 10, image.shape)
    table = find_stars(bare(image)).table
    fitted = []
    for x, y in table[:, :2]:
        cy, cx = round(y), round(x)
        rows, columns = np.mgrid[cy - 8 : cy + 9, cx - 8 : cx + 9]
        start = Gaussian2D(4000, x, y, 1.5, 1.5)
        g = TRFLSQFitter()(start, columns, rows, image[cy - 8 : cy + 9, cx - 8 : cx + 9])
        peak, cx, cy, wide, narrow, _ = g.parameters
        narrow, wide = sorted([wide, narrow])
        flux = 2 * np.pi * peak * wide * narrow
        fitted.append([cx, cy, flux, 2.3548 * np.sqrt(wide * narrow), narrow / wide])
    fitted = np.array(fitted)
    assert len(table) == len(xy)
    np.testing.assert_allclose(table[:, :2], fitted[:, :2], atol=0.02)
    np.testing.assert_allclose(table[:, FLUX], fitted[:, 2], rtol=0.02)
    np.testing.assert_allclose(table[:, FWHM], fitted[:, 3], rtol=0.02)
    np.testing.assert_allclose(table[:, ROUNDNESS], fitted[:, 4], atol=0.02)


def moved(image, angle, shift):
    """The image turned about its centre and shifted, by scipy's spline of order 5, with flags."""
    t = np.radians(angle)
    turn = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    centre = (np.array(image.shape) - 1) / 2
    back = turn.T[::-1, ::-1]  # rows and columns swap places
    offset = centre - back @ (centre + np.array(shift)[::-1])
    out = ndimage.affine_transform(image, back, offset, order=5)
    inside = ndimage.affine_transform(np.ones_like(image), back, offset, order=0) > 0.5
    outside = ~ndimage.binary_erosion(inside, iterations=3)
    out[outside] = 0
    return out, np.where(outside, np.uint8(Flag.NO_DATA), np.uint8(0)), turn


@pytest.mark.parametrize("name", ["m13", "m13_gzip", "m13_hcomp", "m13_plio", "m13_rice"])
def test_every_form_of_the_real_cluster_has_the_same_stars(name):
    with fits.open(CLUSTER / f"{name}.fits") as hdus:
        image = next(hdu.data for hdu in hdus if hdu.data is not None)
        field = find_stars(bare(image))
    plain = find_stars(bare(fits.getdata(CLUSTER / "m13.fits")))
    assert len(field.table) > 200
    np.testing.assert_array_equal(field.table, plain.table)


@pytest.mark.parametrize(
    ("angle", "shift"),
    [
        (0.0, (3.3, -2.7)),
        (1.0, (0.3, 0.2)),
        (33.0, (4.5, -6.1)),
        (90.0, (0.5, 0.5)),
        (180.0, (3.3, 2.1)),
        (-120.0, (-8.0, 5.0)),
    ],
)
@pytest.mark.parametrize("noise", [0.0, 4.0])
def test_a_real_cluster_registers_after_a_known_motion(angle, shift, noise):
    """Crowded, 300 x 300 px, and digitised from film. Noise as strong as its own is added too."""
    image = fits.getdata(CLUSTER / "m13.fits").astype(np.float64)
    own, flags, turn = moved(image, angle, shift)
    own = own + np.random.default_rng(3).normal(0, noise, own.shape)
    mine, theirs = find_stars(bare(own, flags)).table, find_stars(bare(image)).table
    found = align(mine, theirs, image.shape, image.shape, "auto")
    y, x = np.mgrid[0:300:20, 0:300:20]
    grid = np.column_stack([x.ravel(), y.ravel()]).astype(float)
    true = (grid - 149.5) @ turn.T + 149.5 + shift
    inside = ((true > 0) & (true < 299)).all(axis=1)
    error = np.hypot(*(found.transform.apply(grid) - true)[inside].T)
    assert error.max() < 0.1
    assert found.measures["matched"] > 60
    assert found.measures["residual"] < (0.02 if noise == 0 else 0.2)
    turned = (found.measures["rotation"] - angle + 180) % 360 - 180
    assert abs(turned) < 0.03
