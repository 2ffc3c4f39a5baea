"""What a star table holds, and what the steps that measure stars say of themselves."""

from __future__ import annotations

import math
from collections.abc import Mapping
from enum import IntFlag
from typing import Any

from coldframe.step import Column

FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))
TABLE = ("x", "y", "flux", "peak", "fwhm", "roundness", "snr", "flags")
X, Y, FLUX, PEAK, FWHM, ROUNDNESS, SNR, FLAGS = range(len(TABLE))
"""Columns of a star table: px, px, ADU, ADU, px, minor/major axis, 1, bits of `StarFlag`."""

BRIGHT = 20.0  # SNR from which a star counts for the frame's FWHM and roundness


class StarFlag(IntFlag):
    """Why a star is worth less than others."""

    SATURATED = 1  # its core is at the white level: flux and peak are lower bounds
    BLEMISHED = 2  # unusable pixels in its core were filled in from their neighbours
    BLENDED = 4  # no Gaussian fits; centre and size are taken with the frame's typical star


COLUMNS: Mapping[str, Column] = {
    "stars": Column("count", "stars found"),
    "fwhm": Column("px", "median full width at half maximum of the stars"),
    "roundness": Column("ratio", "median ratio of minor to major axis of the stars; 1 is round"),
    "sky": Column("ADU", "median sky level"),
    "noise": Column("ADU", "robust standard deviation of the sky about its local level"),
}

PARAMS: Mapping[str, Mapping[str, Any]] = {
    "threshold": {
        "description": "How far above the sky noise of the smoothed frame a star must stand.",
        "type": "number",
        "minimum": 1.0,
        "default": 5.0,
        "unit": "sigma",
    },
    "max_stars": {
        "description": "Keep at most this many stars of a frame, the brightest.",
        "type": "integer",
        "minimum": 20,
        "default": 5000,
        "unit": "stars",
    },
}

SOURCES = (
    "Bertin & Arnouts 1996, A&AS 117, 393 (background mesh, thresholding, deblending)",
    "Bernstein & Jarvis 2002, AJ 123, 583; Hirata & Seljak 2003, MNRAS 343, 459 (adaptive moments)",
    "Alleysson, Susstrunk & Herault 2005, IEEE Trans. Image Process. 14, 439 (luminance of a mosaic)",
    "King 1983, PASP 95, 163 (equivalent noise area of a star)",
)
