"""How much dark signal a frame has, in units of the master dark's, told by its hot pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from coldframe.frame import Array

FEWEST = 20
"""A scale from fewer hot pixels than this is not to be trusted."""

TUKEY = 4.685
"""Biweight tuning for 95% efficiency on normal residuals (Beaton & Tukey 1974)."""

ROUNDS = 30


@dataclass(frozen=True, slots=True)
class ScaleFit:
    """A fitted dark scale, its standard uncertainty, and the number of hot pixels used.

    scatter : fraction of its dark signal by which a hot pixel strays from the fit, 1 sigma beyond
    noise: hot pixels do not all follow temperature alike.
    """

    scale: float
    sigma: float
    count: int
    scatter: float = math.nan


def fit_dark_scale(
    excess: Array, dark: Array, variance: Array, shot: float, dark_variance: float
) -> ScaleFit:
    """Fit excess = k * dark through the origin, weighted and robust.

    Parameters
    ----------
    excess : (n,) ADU, how far each hot pixel stands above its same-colour neighbours in the
        frame, bias removed.
    dark : (n,) ADU, the same in the master dark.
    variance : (n,) ADU^2, noise of `excess` but for the shot noise of the dark signal itself.
    shot : ADU, variance of that shot noise by ADU of signal (1 / gain). It is taken from the
        fitted signal: the measured one would give low readings more weight than high ones.
    dark_variance : ADU^2, noise of `dark`; it enters as k^2 times this.

    Returns
    -------
    ScaleFit; the sigma comes from the residuals themselves, so it holds whether or not
    `variance` was right. With fewer than `FEWEST` usable pixels scale and sigma are NaN.

    Notes
    -----
    Iteratively reweighted least squares with Tukey's biweight (Beaton & Tukey 1974,
    Technometrics 16, 147), begun at the weighted median of the ratios. Hot pixels do not all
    follow temperature alike: their extra scatter, a fraction of the signal, is estimated by the
    method of moments (DerSimonian & Laird 1986, Control. Clin. Trials 7, 177) and added to the
    variance. The uncertainty is the heteroscedasticity-consistent one (White 1980,
    Econometrica 48, 817) for an M-estimate, with the slope of the biweight's influence function
    in the denominator (Huber 1981, Robust Statistics, ch. 6).
    """
    good = np.isfinite(excess) & np.isfinite(dark) & np.isfinite(variance)
    good &= (variance > 0) & (dark > 0)
    h, d = excess[good].astype(np.float64), dark[good].astype(np.float64)
    noise = variance[good].astype(np.float64)
    if h.size < FEWEST:
        return ScaleFit(math.nan, math.nan, int(h.size))
    k = _weighted_median(h / d, d / np.sqrt(noise + shot * np.maximum(h, 0)))
    scatter = 0.0  # squared fraction
    weight = slope = np.zeros_like(h)
    for _ in range(ROUNDS):
        known = noise + shot * max(k, 0.0) * d + k * k * dark_variance
        total = known + scatter * (k * d) ** 2
        residual = h - k * d
        # Never trust a stated noise below what the residuals show.
        spread = max(1.0, 1.4826 * float(np.median(np.abs(residual) / np.sqrt(total))))
        u = residual / (TUKEY * spread * np.sqrt(total))
        inside = np.abs(u) < 1
        weight = np.where(inside, (1 - u * u) ** 2, 0.0) / total
        slope = np.where(inside, (1 - u * u) * (1 - 5 * u * u), 0.0) / total
        before = k
        k = float(np.sum(weight * h * d) / np.sum(weight * d * d))
        kept = weight > 0
        signal = (k * d[kept]) ** 2
        if signal.sum() > 0:
            extra = float(np.sum(residual[kept] ** 2 - known[kept]) / signal.sum())
            scatter = min(max(extra, 0.0), 1.0)
        if abs(k - before) <= 1e-7 * max(abs(k), 1e-6):
            break
    residual = h - k * d
    norm = float(np.sum(slope * d * d))
    if norm <= 0:  # so many outliers that nothing agrees
        return ScaleFit(math.nan, math.nan, int(np.count_nonzero(weight)))
    sigma = math.sqrt(float(np.sum((weight * d * residual) ** 2))) / norm
    return ScaleFit(k, sigma, int(np.count_nonzero(weight)), math.sqrt(scatter))


def _weighted_median(values: Array, weights: Array) -> float:
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])
