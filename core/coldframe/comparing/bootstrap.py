"""How certain a comparison is: figures over again from frames drawn anew."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coldframe.frame import Array

REPEATS = 100
"""Resamples: 50 often give a good standard error, and more than 200 are seldom needed (Efron and
Tibshirani 1993, 6.4)."""

LEVEL = 0.95

Strata = Sequence[Sequence[int]]


@dataclass(frozen=True, slots=True)
class Interval:
    """A figure and the range that holds the truth with `LEVEL`."""

    value: float
    low: float
    high: float

    @property
    def sure(self) -> bool:
        """Whether the range leaves out no difference (0)."""
        return self.low > 0 or self.high < 0


def draws(strata: Strata, repeats: int, rng: np.random.Generator) -> list[Array]:
    """Members drawn with replacement, as many of each stratum as it has: (members,) each."""
    return [
        np.concatenate([rng.choice(np.asarray(s, np.intp), len(s)) for s in strata if len(s)])
        for _ in range(repeats)
    ]


def standard_errors(values: Array, members: int) -> Array:
    """Bootstrap standard error of each number of a statistic: float64 (numbers,).

    Parameters
    ----------
    values : float64 (resamples, numbers), the statistic of each of `draws`. members : in the
    smallest sample that was drawn from.

    Notes
    -----
    The standard deviation over the resamples (Efron and Tibshirani 1993, An Introduction to the
    Bootstrap, algorithm 6.1), times sqrt(n / (n - 1)): resampling n members makes a mean scatter
    by that much too little (Hesterberg 2015, Am. Stat. 69, 371). Resamples a finite
    number are passed over; NaN where fewer than two are left, or for one member.
    """
    known = np.isfinite(values)
    count = known.sum(axis=0)
    if members < 2:
        return np.full(count.shape, np.nan)
    mean = np.where(known, values, 0.0).sum(axis=0) / np.maximum(count, 1)
    square = np.where(known, (values - mean) ** 2, 0.0).sum(axis=0) / np.maximum(count - 1, 1)
    return np.asarray(np.where(count < 2, np.nan, np.sqrt(square * members / (members - 1))))


def interval(value: float, error: float, members: int) -> Interval | None:
    """Student's t interval about a figure; None without an error.

    Notes
    -----
    value +- t error with members - 1 degrees of freedom (Efron and Tibshirani 1993, 12.4). It
    stands about the figure itself and not about the resamples' mean, which repeats shift.
    """
    from scipy.stats import t

    if members < 2 or not math.isfinite(error):
        return None
    half = float(t.ppf(0.5 + LEVEL / 2, members - 1)) * error
    return Interval(value, value - half, value + half)


def repeated(drawn: Array, variance: Array) -> float:
    """By how much repeats raise the noise of a mean of independent noise.

    Parameters
    ----------
    drawn : the members drawn. variance : float64 (members,), what each gives to the variance of
    the mean when it is in once.

    Notes
    -----
    A frame that is in m times has its noise in m times in step: m^2 of its variance where m other
    frames like it would give m. Hence sqrt(sum m^2 v / sum m v).
    """
    times = np.bincount(drawn, minlength=variance.size)
    return float(np.sqrt((times**2 * variance).sum() / (times * variance).sum()))
