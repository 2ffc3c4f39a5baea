"""Dark current, its doubling temperature, and hot pixels.

Source: EMVA Standard 1288, release 4.0 (2021), "dark current"; exponential growth with
temperature: R. Widenhorn et al., Proc. SPIE 4669, 193 (2002).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from coldframe.camera.sets import positions
from coldframe.camera.transfer import Value
from coldframe.frame import Array

_MAD_TO_SIGMA = 1.4826  # of a normal distribution (Hampel 1974, JASA 69, 383)


def slope(exposures: Sequence[float], values: Sequence[Value]) -> Value:
    """Growth of a value with exposure, per second: weighted least squares of a straight line.

    Applied to means it gives the dark current in ADU/s; applied to temporal variances, gain times
    that (EMVA 1288 has both). Needs two different exposures. The scatter about the line raises
    the uncertainty where it is greater than the values' own.
    """
    t = np.array(exposures)
    y = np.array([v.value for v in values])
    e = np.array([max(v.error, 1e-12) for v in values])
    w = 1 / e**2
    middle = np.sum(w * t) / np.sum(w)
    square = float(np.sum(w * (t - middle) ** 2))
    rate = float(np.sum(w * (t - middle) * y)) / square
    error = 1 / math.sqrt(square)
    if len(t) > 2:
        base = np.sum(w * y) / np.sum(w)
        rest = y - base - rate * (t - middle)
        error *= math.sqrt(max(1.0, float(np.sum(w * rest**2)) / (len(t) - 2)))
    return Value(rate, error)


def doubling(temperatures: Sequence[float], rates: Sequence[Value]) -> Value | None:
    """Degrees in which the dark current doubles: a line through log2(rate) against temperature.

    None with fewer than two temperatures, rates that are not positive, or no growth.
    """
    good = [(t, r) for t, r in zip(temperatures, rates, strict=True) if r.value > 0]
    if len({t for t, _ in good}) < 2:
        return None
    logs = [Value(math.log2(r.value), r.error / (r.value * math.log(2))) for _, r in good]
    growth = slope([t for t, _ in good], logs)
    if growth.value <= 0:
        return None
    return Value(1 / growth.value, growth.error / growth.value**2)


def hot_pixels(mean: Array, cfa: str | None, sigmas: float) -> Array:
    """bool (y, x): pixels of an average dark that stand out from those of their CFA position.

    Hot is what lies more than `sigmas` robust standard deviations above the median; the deviation
    is that among the pixels, so a sensor with uneven dark current is not called hot all over.
    """
    hot = np.zeros(mean.shape, dtype=bool)
    for part, out in zip(positions(mean, cfa), positions(hot, cfa), strict=True):
        middle = np.median(part)
        sigma = _MAD_TO_SIGMA * np.median(np.abs(part - middle))
        out[...] = part > middle + sigmas * max(float(sigma), 1e-9)
    return hot
