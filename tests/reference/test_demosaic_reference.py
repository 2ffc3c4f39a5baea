"""Demosaicing against a general-purpose colour library and the paper's own coefficients."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from coldframe_steps.kernels.demosaic import demosaic

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # of optional parts of the library that are not installed
    from colour_demosaicing import (
        demosaicing_CFA_Bayer_bilinear,
        demosaicing_CFA_Bayer_Malvar2004,
    )

EQUAL = (1.0, 1.0, 1.0)

THEIRS = {
    "bilinear": demosaicing_CFA_Bayer_bilinear,
    "linear-5x5": demosaicing_CFA_Bayer_Malvar2004,
}


@pytest.mark.parametrize("cfa", ["RGGB", "GRBG", "GBRG", "BGGR"])
@pytest.mark.parametrize("method", sorted(THEIRS))
@pytest.mark.parametrize("shape", [(40, 52), (41, 33)])
def test_agrees_with_colour_demosaicing(cfa: str, method: str, shape: tuple[int, int]) -> None:
    # colour-demosaicing; its borders are mirrored otherwise, so the outer two pixels are left out.
    mosaic = np.random.default_rng(1).normal(1000.0, 300.0, shape).astype(np.float32)
    ours, flags = demosaic(mosaic, np.zeros(shape, np.uint8), cfa, method, EQUAL)
    theirs = np.moveaxis(THEIRS[method](mosaic.astype(np.float64), cfa), -1, 0)
    np.testing.assert_allclose(ours[:, 2:-2, 2:-2], theirs[:, 2:-2, 2:-2], rtol=0, atol=1e-3)
    assert not flags.any()


def test_the_correction_gains_are_those_of_the_paper() -> None:
    # Malvar, He & Cutler (2004), section 3: green at red is the bilinear mean plus alpha = 1/2 of
    # the Laplacian of red; red at green beta = 5/8; red at blue gamma = 3/4.
    shape = (11, 11)
    unit = np.zeros(shape, np.float32)
    unit[4, 4] = 8.0  # a red site of RGGB: its Laplacian there is the value itself
    rgb, _ = demosaic(unit, np.zeros(shape, np.uint8), "RGGB", "linear-5x5", EQUAL)
    assert rgb[1, 4, 4] == 8.0 * 1 / 2
    assert rgb[2, 4, 4] == 8.0 * 3 / 4
    unit[:] = 0.0
    unit[4, 5] = 8.0  # green in a red row
    rgb, _ = demosaic(unit, np.zeros(shape, np.uint8), "RGGB", "linear-5x5", EQUAL)
    assert rgb[0, 4, 5] == 8.0 * 5 / 8
    assert rgb[2, 4, 5] == 8.0 * 5 / 8
