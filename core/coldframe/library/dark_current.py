"""Dark current of a camera from its masters' levels, and how it grows with temperature."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from coldframe.frame import Kind
from coldframe.interpolation import Doubling
from coldframe.library.entry import Entry, mean_error
from coldframe.matching import match

READING = 1 / math.sqrt(12)
"""°C: 1 sigma of a temperature told in whole degrees (JCGM 100:2008, 4.3.7)."""

SURE = 3.0
"""Sigmas by which a dark current must exceed 0 to take part in the fit."""


@dataclass(frozen=True, slots=True)
class Current:
    """Dark current of the median pixel, ADU/s, with its 1 sigma error, and the bias it is above."""

    value: float
    error: float
    bias: Entry


def current(dark: Entry, biases: Sequence[Entry]) -> Current | str:
    """(level of the dark - level of the matching bias) / exposure, or why it cannot be told.

    Source: EMVA Standard 1288, release 4.0, section 7.1, from one exposure time and the bias.
    Errors of the levels are those of the frames' mean (`mean_error`).
    """
    exposure = dark.info.exposure
    if not exposure:
        return "its exposure is unknown"
    found = match(dark.info, Kind.BIAS, [b.info for b in biases])
    if found.index is None:
        return f"no bias to take from it: {found.reason}"
    bias = biases[found.index]
    levels = [mean_error(entry.levels) for entry in (dark, bias)]
    if levels[0] is None or levels[1] is None:
        return "levels of its frames are unknown"
    (high, high_error), (low, low_error) = levels[0], levels[1]
    return Current((high - low) / exposure, math.hypot(high_error, low_error) / exposure, bias)


def doublings(entries: Sequence[Entry]) -> dict[str, Doubling | str]:
    """For each camera with darks: how its dark current grows, or why that cannot be told."""
    out: dict[str, Doubling | str] = {}
    for camera in {entry.info.camera or "" for entry in entries if entry.kind is Kind.DARK}:
        own = [entry for entry in entries if (entry.info.camera or "") == camera]
        out[camera] = doubling_of(own)
    return out


def doubling_of(entries: Sequence[Entry]) -> Doubling | str:
    """The fit for one camera's masters.

    Darks of each setting (ISO or gain, offset, binning) share one straight line's height, all
    share its slope: ln I = a(setting) + T ln 2 / D.
    """
    biases = [entry for entry in entries if entry.kind is Kind.BIAS]
    points: list[tuple[tuple[object, ...], float, float, float]] = []
    why = ""
    for entry in entries:
        if entry.kind is not Kind.DARK or entry.info.temperature is None:
            continue
        found = current(entry, biases)
        if isinstance(found, str):
            why = why or found
        elif found.value <= SURE * found.error:
            why = why or (
                f"its dark current, {found.value:.2g} ± {found.error:.2g} ADU/s at "
                f"{entry.info.temperature:.1f} °C, cannot be told from 0"
            )
        else:
            info = entry.info
            setting = (info.iso, info.gain_setting, info.offset, info.binning)
            points.append((setting, info.temperature or 0.0, found.value, found.error))
    fitted = fit_doubling(
        [p[0] for p in points],
        [p[1] for p in points],
        [p[2] for p in points],
        [p[3] for p in points],
    )
    if isinstance(fitted, str):
        return f"how its dark current grows is not known: {fitted}" + (f" ({why})" if why else "")
    return fitted


def fit_doubling(
    settings: Sequence[object],
    temperatures: Sequence[float],
    currents: Sequence[float],
    errors: Sequence[float],
) -> Doubling | str:
    """Weighted least squares of ln I on T, a height for each setting and one slope.

    Parameters
    ----------
    temperatures : °C. currents, errors : any one unit a setting, above 0.

    Notes
    -----
    A point's variance is (error / I)^2 plus the slope times the reading's error squared (effective
    variance: J. Orear 1982, Am. J. Phys. 50, 912). Where the points scatter more than that, the
    slope's error is multiplied by sqrt(chi^2 / dof) (R. T. Birge 1932, Phys. Rev. 40, 207).
    """
    kinds = list(dict.fromkeys(settings))
    t, y = np.asarray(temperatures, float), np.log(np.asarray(currents, float))
    column = np.array([kinds.index(s) for s in settings], int)
    # A setting met at one temperature only says nothing of the slope.
    spread = [
        np.ptp(t[column == k]) > 1.0 if np.any(column == k) else False for k in range(len(kinds))
    ]
    use = np.array([spread[k] for k in column], bool)
    if not use.any():
        return "it takes darks and bias of one setting at two temperatures more than 1 °C apart"
    t, y, column = t[use], y[use], column[use]
    relative = (np.asarray(errors, float) / np.asarray(currents, float))[use]
    heights = (column[:, None] == np.unique(column)[None, :]).astype(float)
    design = np.column_stack([heights, t - t.mean()])
    slope = math.log(2) / 6.0  # only the first guess of what a reading's error is worth
    for _ in range(4):
        sigma = np.sqrt(relative**2 + (slope * READING) ** 2)
        found, *_ = np.linalg.lstsq(design / sigma[:, None], y / sigma, rcond=None)
        slope = float(found[-1])
    covariance = np.linalg.inv((design / sigma[:, None]).T @ (design / sigma[:, None]))
    error = math.sqrt(covariance[-1, -1])
    free = len(y) - design.shape[1]
    if free > 0:
        chi2 = float(np.sum(((y - design @ found) / sigma) ** 2))
        error *= max(1.0, math.sqrt(chi2 / free))
    if slope <= 2 * error:
        return "the darks do not show that it grows with temperature"
    degrees = math.log(2) / slope
    return Doubling(degrees, degrees * error / slope, len(y), float(t.min()), float(t.max()))


def words(found: Mapping[str, Doubling | str]) -> list[str]:
    """One line a camera."""
    return [
        f"{camera or 'unknown camera'}: "
        + (
            d
            if isinstance(d, str)
            else f"dark current doubles every {d.degrees:.2f} ± {d.error:.2f} °C "
            f"({d.masters} darks, {d.low:.1f} to {d.high:.1f} °C)"
        )
        for camera, d in sorted(found.items())
    ]
