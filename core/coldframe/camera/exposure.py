"""How long and how many: exposure advice from the CCD equation.

Source: the CCD equation, W. J. Merline and S. B. Howell, Experimental Astronomy 6, 163 (1995);
S. B. Howell, Handbook of CCD Astronomy, 2nd ed. (Cambridge, 2006), section 4.4:

    S/N = N / sqrt(N + n (1 + n / n_B) (N_sky + N_dark + R^2 + G^2 sigma_f^2))

Here for one pixel (n = 1) whose background is known from very many (n_B without limit), over k
frames that are added. G^2 sigma_f^2, the rounding to whole numbers, is gain^2 / 12 and is counted
with the read noise R.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from coldframe.camera.transfer import Value


def signal_to_noise(
    signal: float, background: float, read_noise: float, exposure: float, frames: float = 1.0
) -> float:
    """S/N of one pixel over several frames.

    signal, background : e-/s, of the object and of sky with dark current. read_noise : e-, with
    rounding. exposure : s, of each frame.
    """
    electrons = signal * exposure * frames
    noise2 = ((signal + background) * exposure + read_noise**2) * frames
    return electrons / math.sqrt(noise2)


def added_by_reading(background: float, read_noise: float, exposure: float) -> float:
    """By which fraction read noise raises the noise of the background."""
    return math.sqrt(1 + read_noise**2 / (background * exposure)) - 1


def exposure_for(background: float, read_noise: float, share: float) -> float:
    """The exposure in s at which reading adds `share` to the background's noise.

    sqrt(B t + R^2) = (1 + share) sqrt(B t), solved for t.
    """
    return read_noise**2 / (background * ((1 + share) ** 2 - 1))


def per_hour(
    signal: float, background: float, read_noise: float, exposure: float, overhead: float
) -> float:
    """S/N of one pixel after an hour of frames, each followed by `overhead` s without light."""
    return signal_to_noise(signal, background, read_noise, exposure, 3600 / (exposure + overhead))


def worth(background: float, read_noise: float, exposure: float) -> float:
    """One over the variance of the rate that one frame tells of a faint object, s^2/e-^2.

    Worths of frames add up, and depth grows with the root of their sum (weights of least
    variance: Aitken 1936, Proc. R. Soc. Edinburgh 55, 42).
    """
    return exposure**2 / (background * exposure + read_noise**2)


def further_frames(worths: Sequence[float], each: float, magnitudes: float) -> float:
    """How many frames of worth `each` make a stack of `worths` deeper by so many magnitudes.

    A gain of m magnitudes is a factor 10^(0.4 m) in noise (Pogson 1856, MNRAS 17, 12) and its
    square in the sum of worths.
    """
    return (10 ** (0.8 * magnitudes) - 1) * sum(worths) / each


def propagate(function: Callable[..., float], *values: Value) -> Value:
    """A function of measured numbers with its uncertainty, to first order.

    Each value is moved by its uncertainty both ways, and the half differences are added in
    quadrature (JCGM 100:2008, Guide to the expression of uncertainty in measurement, 5.1.2).
    """
    at = [v.value for v in values]
    square = 0.0
    for i, v in enumerate(values):
        # A rate that is not surely above zero is moved by no more than 90% of itself.
        step = min(v.error, 0.9 * abs(v.value))
        up, down = at.copy(), at.copy()
        up[i], down[i] = v.value + step, v.value - step
        square += ((function(*up) - function(*down)) / 2) ** 2
    return Value(function(*at), math.sqrt(square))
