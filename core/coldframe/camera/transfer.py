"""The photon-transfer method: gain, read noise, saturation and linearity from means and variances.

Source: EMVA Standard 1288, release 4.0 (2021), general part, "sensitivity" and "linearity"; the
method: J. R. Janesick, Photon Transfer (SPIE Press, 2007), chapters 3 to 5. The standard writes K
for ADU per electron; gain here is its inverse, e-/ADU, as everywhere in Coldframe.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coldframe.frame import Array

QUANTISATION = 1 / 12
"""Variance of rounding to whole numbers, ADU^2 (EMVA 1288, temporal noise model)."""

GAIN_UP_TO = 0.7
"""Share of saturation up to which the gain is fitted (EMVA 1288)."""

LINEAR_RANGE = (0.05, 0.95)
"""Shares of saturation between which linearity is judged (EMVA 1288)."""

FEWEST_FOR_LINEARITY = 5  # exposures inside the range; the standard asks for nine


@dataclass(frozen=True, slots=True)
class Value:
    """A measured number and its standard uncertainty, both in the unit of the number."""

    value: float
    error: float


@dataclass(frozen=True, slots=True)
class Point:
    """One point of the photon-transfer plot.

    exposure : s. colour : of the CFA, or "mono". signal : mean above the offset, ADU.
    variance : temporal variance less that without light, ADU^2; `error`, its standard
    uncertainty. total : temporal variance with the noise in darkness, ADU^2. clipped : share of
    saturated pixels. light : what shone; points of the same light and colour compare in linearity.
    """

    exposure: float
    colour: str
    signal: float
    variance: float
    error: float
    total: float
    clipped: float = 0.0
    light: str = ""


def variance_error(variance: float, samples: float) -> float:
    """Standard uncertainty of a variance from so many independent differences of two values.

    Source: sampling variance of a variance of normal noise, 2 sigma^4 / n (Kendall and Stuart,
    The Advanced Theory of Statistics, volume 1).
    """
    return variance * math.sqrt(2 / samples)


@dataclass(frozen=True, slots=True)
class Saturation:
    """Where the variance is greatest: EMVA 1288's saturation point.

    signal : mean above the offset, ADU. gap : distance to the next brighter point, ADU.
    reached : there are brighter points whose variance is clearly lower; else `signal` is only
    the brightest level that there is.
    """

    signal: float
    gap: float
    reached: bool


def saturation(points: Sequence[Point]) -> Saturation:
    """The saturation point of one colour's points; needs at least one."""
    ordered = sorted(points, key=lambda p: p.signal)
    top = max(range(len(ordered)), key=lambda i: ordered[i].total)
    after = ordered[top + 1 :]
    reached = any(p.total < 0.8 * ordered[top].total for p in after)
    if not reached:
        clean = [p for p in ordered if p.clipped < 1e-3] or ordered
        return Saturation(clean[-1].signal, 0.0, False)
    return Saturation(ordered[top].signal, after[0].signal - ordered[top].signal, True)


def usable(points: Sequence[Point], limits: dict[str, Saturation]) -> list[Point]:
    """The points that the gain is fitted to: up to 70% of saturation and nothing clipped."""
    out = []
    for p in points:
        limit = limits[p.colour]
        top = GAIN_UP_TO * limit.signal if limit.reached else math.inf
        if p.signal <= top and p.clipped < 1e-3 and p.signal > 0:
            out.append(p)
    return out


def fit_gain(points: Sequence[Point]) -> Value | None:
    """Gain in e-/ADU: one over the slope of variance against signal, through the origin.

    Least squares with equal weights, as the standard has it. The uncertainty follows from that of
    the variances, or from the scatter of the points where that is greater. None without points or
    when the slope is not positive.
    """
    if not points:
        return None
    x = np.array([p.signal for p in points])
    y = np.array([p.variance for p in points])
    e = np.array([p.error for p in points])
    square = float(np.sum(x * x))
    slope = float(np.sum(x * y)) / square
    if not slope > 0:
        return None
    error = float(np.sqrt(np.sum((x * e) ** 2))) / square
    if len(points) > 1:
        chi2 = float(np.sum(((y - slope * x) / e) ** 2)) / (len(points) - 1)
        error *= math.sqrt(max(1.0, chi2))
    return Value(1 / slope, error / slope**2)


def read_noise(variance: Value) -> Value:
    """Noise in darkness in ADU from its temporal variance, quantisation taken off.

    The standard's lower limit of 0.24 ADU^2 holds: below it quantisation hides the noise.
    """
    noise = math.sqrt(max(variance.value, 0.24) - QUANTISATION)
    return Value(noise, variance.error / (2 * noise))


@dataclass(frozen=True, slots=True)
class Linearity:
    """Deviations from a straight line, % of it: the lowest and the highest; points in the fit."""

    lowest: float
    highest: float
    points: int


def linearity(exposures: Array, signals: Array, top: float) -> Linearity | None:
    """EMVA 1288's linearity error of one colour: signal against exposure, in constant light.

    Parameters
    ----------
    exposures, signals : (n,), s and ADU above the offset. top : saturation, ADU above the offset.

    Returns
    -------
    None when fewer than five exposures lie between 5% and 95% of saturation.

    Notes
    -----
    The line a x + b minimises the relative deviations: weights 1 / signal^2.
    """
    low, high = LINEAR_RANGE
    inside = (signals >= low * top) & (signals <= high * top)
    if len(np.unique(exposures[inside])) < FEWEST_FOR_LINEARITY:
        return None
    x, y = exposures[inside], signals[inside]
    design = np.stack([x, np.ones_like(x)], axis=1) / y[:, np.newaxis]
    a, b = np.linalg.lstsq(design, np.ones_like(y), rcond=None)[0]
    line = a * x + b
    deviation = 100 * (y - line) / line
    return Linearity(float(deviation.min()), float(deviation.max()), len(x))
