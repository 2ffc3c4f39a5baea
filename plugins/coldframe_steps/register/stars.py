"""Finds and measures the stars of one frame."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from coldframe.errors import SetAside
from coldframe.frame import Array, Flag, Frame
from coldframe_steps.kernels.pixels import readonly
from coldframe_steps.kernels.stars import (
    SMOOTHING_VARIANCE,
    adaptive_moments,
    colour_centres,
    inspect,
)
from coldframe_steps.register.sources import Sky, extract, without_sky
from coldframe_steps.register.terms import (
    BRIGHT,
    FLAGS,
    FLUX,
    FWHM,
    FWHM_PER_SIGMA,
    ROUNDNESS,
    SNR,
    TABLE,
    StarFlag,
    X,
    Y,
)

HOT_SHARE = 0.65  # of the light in 3 x 3; a star as sharp as FWHM 1.2 px has at most 0.5
SHARPEST, THINNEST = 0.55, 0.5  # of the frame's typical minor axis and roundness
BLOB = 4.0  # typical sigmas; larger blends are nebula or trail
DULL = 0.4  # axis ratio below which an unmeasurable blend is taken for a piece of a trail


@dataclass(frozen=True, slots=True)
class StarField:
    """The stars of a frame, and numbers about the frame.

    table : float64 (n, len(TABLE)), brightest first, at most `max_stars` rows. Pixel centres are
        whole numbers; x is the column and y the row of the frame as it is (of the full mosaic
        when it has a CFA).
    measures : values of `COLUMNS`; fwhm and roundness are absent when no star can tell.
    """

    table: Array
    measures: Mapping[str, float]


def luminance(frame: Frame) -> tuple[Array, Array, Sky]:
    """The frame's light without sky, for finding stars.

    Returns
    -------
    sharp : float32 (y, x), sky subtracted, unusable pixels filled in. The mean of the colours;
        for a CFA mosaic the mosaic itself, each colour less its own sky.
    soft : float32 (y, x), `sharp` after a 3 x 3 binomial filter, which turns a mosaic into its
        luminance at full resolution.
    sky : level and noise.

    Raises SetAside when the frame has no usable pixels.
    """
    plane = frame.data if frame.data.ndim == 2 else frame.data.mean(axis=0, dtype=np.float32)
    image = readonly(plane.astype(np.float32, copy=False))
    found = without_sky(image, readonly(frame.flags, np.uint8), 2 if frame.info.cfa else 1)
    if found is None:
        raise SetAside(f"{frame.info.label} has no usable pixels to find stars in")
    return found


def find_stars(frame: Frame, threshold: float = 5.0, max_stars: int = 5000) -> StarField:
    """Find and measure the stars of a mono, CFA or colour frame.

    Sources are found in the smoothed luminance; centre and shape come from adaptive moments, less
    what the smoothing added. FWHM is 2.3548 times the geometric mean of the Gaussian's axes, and
    holds the width of the pixel as every measured star image does (at a FWHM of 2 px it reads 4%
    too wide, because the smoothing is not a Gaussian). What is too sharp to be a
    star (hot pixels, cosmic rays), too thin (pieces of trails) or too large (nebula) is left out.

    Parameters
    ----------
    frame : float32 data in ADU.
    threshold : detection limit in standard deviations of the smoothed sky.
    max_stars : rows of the table.

    Raises SetAside when the frame has no usable pixels.
    """
    sharp, soft, sky = luminance(frame)
    measures = {"stars": 0.0, "sky": sky.level, "noise": sky.noise}
    found = extract(soft, threshold)
    if len(found) == 0:
        return StarField(np.zeros((0, len(TABLE))), measures)
    table = _measure(frame, sharp, soft, found, sky.noise)
    measures["stars"] = float(len(table))
    good = (table[:, SNR] > BRIGHT) & (table[:, FLAGS] == 0)
    if np.count_nonzero(good) < 5:
        good = table[:, FLAGS] == 0
    if good.any():
        measures["fwhm"] = float(np.median(table[good, FWHM]))
        measures["roundness"] = float(np.median(table[good, ROUNDNESS]))
    return StarField(np.ascontiguousarray(table[:max_stars]), measures)


def _measure(frame: Frame, sharp: Array, soft: Array, found: Array, noise: float) -> Array:
    """The table of all stars among the sources `found`, brightest first."""
    guess = np.column_stack([found["x"], found["y"]]).astype(np.float64)
    look = np.empty((len(guess), 4))
    inspect(sharp, frame.flags, guess, 2.0, int(Flag.SATURATED), look)
    full, blemished = look[:, 2] > 0, look[:, 3] > 0
    sharp_spot = (look[:, 1] > HOT_SHARE) & ~full

    plain = np.flatnonzero(~sharp_spot & ~full & ~blemished)
    brightest = plain[np.argsort(-found["flux"][plain], kind="stable")[:300]]
    typical = _typical_variance(soft, guess[brightest])
    moments = np.empty((len(guess), 7))
    adaptive_moments(soft, guess, typical, 9.0 * typical, False, moments)
    fitted = moments[:, 6] > 0
    centred = np.empty((len(guess), 7))
    adaptive_moments(soft, guess, typical, typical, True, centred)
    # A flat core has no peak to centre on: the outline found at the threshold is better.
    centred[full, :2] = guess[full]
    lost = ~fitted
    moments[lost] = centred[lost]

    _centre(sharp, frame.info.cfa or "LLLL", moments, fitted & ~full)

    major, minor = axes(moments[:, 3:6])
    size = math.sqrt(max(typical - SMOOTHING_VARIANCE, 0.1))
    usual = fitted & ~sharp_spot & ~full
    round_one = float(np.median(minor[usual] / major[usual])) if usual.any() else 1.0
    thin = np.where(fitted, minor / major < THINNEST * round_one, found["b"] < DULL * found["a"])
    small = fitted & (minor < SHARPEST * size)
    large = lost & ~full & (found["a"] > BLOB * math.sqrt(typical))
    height, width = frame.shape
    margin = max(2.0, FWHM_PER_SIGMA * size)
    x, y = moments[:, 0], moments[:, 1]
    inside = (x >= margin) & (y >= margin) & (x <= width - 1 - margin) & (y <= height - 1 - margin)
    keep = inside & (moments[:, 2] > 0) & ~sharp_spot & ((~thin & ~small & ~large) | full)

    area = 4.0 * math.pi * major * minor
    gain = frame.info.gain
    variance = noise**2 * area + (np.maximum(moments[:, 2], 0.0) / gain if gain else 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        snr = moments[:, 2] / np.sqrt(variance)
    flags = (
        full * StarFlag.SATURATED + blemished * StarFlag.BLEMISHED + lost * StarFlag.BLENDED
    ).astype(np.float64)
    fwhm = FWHM_PER_SIGMA * np.sqrt(major * minor)
    table = np.column_stack([x, y, moments[:, 2], look[:, 0], fwhm, minor / major, snr, flags])
    table = table[keep & np.isfinite(snr)]
    table = table[np.lexsort((table[:, X], table[:, Y], -table[:, FLUX]))]
    return _without_doubles(table, 0.5 * FWHM_PER_SIGMA * size)


def _centre(sharp: Array, cfa: str, moments: Array, which: Array) -> None:
    """Replace x, y of some stars in a moments table by centres fitted to the unsmoothed pixels.

    cfa : the colours of the top left 2 x 2; each has its own brightness in a star. All stars share
    the frame's median shape: a faint star's own is uncertain, a coloured one's is distorted by the
    mosaic.
    """
    if not which.any():
        return
    names = {name: i for i, name in enumerate(dict.fromkeys(cfa.upper()))}
    colours = np.array([names[name] for name in cfa.upper()]).reshape(2, 2)
    xx, xy, yy = np.median(moments[which, 3:6], axis=0)
    # Much below half a pixel of sigma a Gaussian would fall between the pixels.
    xx, yy = max(xx - SMOOTHING_VARIANCE, 0.2), max(yy - SMOOTHING_VARIANCE, 0.2)
    limit = 0.9 * math.sqrt(xx * yy)
    centres = np.ascontiguousarray(moments[which, :2])
    colour_centres(sharp, colours, np.array([xx, min(max(xy, -limit), limit), yy]), centres)
    moments[which, :2] = centres


def axes(moments: Array) -> tuple[Array, Array]:
    """Major and minor sigma (px) of Gaussians, less the smoothing's share.

    moments : float64 (n, 3), variances xx, xy, yy in the smoothed image (px^2).
    """
    xx, xy, yy = moments.T
    mean, half = 0.5 * (xx + yy), np.hypot(0.5 * (xx - yy), xy)
    floor = 0.01  # a spot sharper than a pixel has no measurable width
    major = np.sqrt(np.maximum(mean + half - SMOOTHING_VARIANCE, floor))
    minor = np.sqrt(np.maximum(mean - half - SMOOTHING_VARIANCE, floor))
    return major, minor


def _typical_variance(soft: Array, guess: Array) -> float:
    """Median variance of the star images (px^2, in the smoothed image)."""
    start = 2.0
    moments = np.empty((len(guess), 7))
    adaptive_moments(soft, guess, start, 150.0, False, moments)
    fitted = moments[moments[:, 6] > 0]
    if len(fitted) == 0:
        return start
    return float(np.median(0.5 * (fitted[:, 3] + fitted[:, 5])))


def _without_doubles(table: Array, radius: float) -> Array:
    """The table without sources that ended on the same star as a brighter one."""
    pairs = cKDTree(table[:, :2]).query_pairs(radius, output_type="ndarray")
    drop = np.zeros(len(table), bool)
    drop[pairs.max(axis=1)] = True
    return table[~drop]
