"""Interpolation weights as polynomials of the sub-pixel position.

On the interval between two pixels every one of these kernels is, per tap, either a polynomial
(bilinear, bicubic) or an analytic function that one of ninth order follows to 2e-7 (Lanczos 3).
One form for all of them keeps the pixel loop free of look-ups and branches. The kernels are
symmetric, so tap 5 - k has the weight of tap k mirrored about the middle of the interval, and the
even and odd parts of three polynomials give all six weights.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

TAPS = 6
FIRST = -2
"""Six taps at whole-pixel distances -2..3 from the pixel left of (above) the position."""

TERMS = 5
"""Coefficients of the even and of the odd part: together a polynomial of ninth order."""

REACH = {"bilinear": 1, "bicubic": 2, "lanczos3": 3}
"""How many pixels on each side of a position have weight."""


def weights(method: str, fraction: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weights of the six taps for sub-pixel positions in 0..1, by definition of the kernel.

    Parameters
    ----------
    method : "bilinear", the triangle; "bicubic", cubic convolution with a = -1/2 (Keys 1981, IEEE
        Trans. Acoust. Speech Signal Process. 29, 1153); "lanczos3", a sinc windowed by the central
        lobe of a sinc three times as wide (Duchon 1979, J. Appl. Meteorol. 18, 1016), divided by
        the sum of its weights so that a flat sky stays flat, and freed of the first moment that
        they have (of 0.02 px at most), so that a slope stays the slope it is: by the least change
        of the weights, in squares, that does it.
    fraction : float64 (n,).

    Returns
    -------
    float64 (n, 6); each row sums to 1.
    """
    t = np.abs(np.asarray(fraction, np.float64)[:, None] - (np.arange(TAPS) + FIRST))
    if method == "bilinear":
        return np.maximum(1.0 - t, 0.0)
    if method == "bicubic":
        near = (1.5 * t - 2.5) * t * t + 1.0
        far = ((-0.5 * t + 2.5) * t - 4.0) * t + 2.0
        return np.where(t <= 1.0, near, np.where(t < 2.0, far, 0.0))
    if method == "lanczos3":
        lobes = np.where(t < 3.0, np.sinc(t) * np.sinc(t / 3.0), 0.0)
        # sin(k pi) in floating point is not quite 0, but a whole position must be exact.
        lobes[(t == np.round(t)) & (t > 0.0)] = 0.0
        lobes /= lobes.sum(axis=1, keepdims=True)
        taps = np.arange(TAPS) + FIRST
        moment = lobes @ taps - fraction
        outward = taps - taps.mean()
        return lobes - moment[:, None] * outward / (outward @ outward)
    raise ValueError(f"no interpolation method is called '{method}'; there are {sorted(REACH)}")


@lru_cache(maxsize=len(REACH))
def coefficients(method: str) -> NDArray[np.float32]:
    """Polynomials in t = f - 1/2, for a sub-pixel position f.

    Returns
    -------
    float32 (3, 10), read-only: with s = t^2, taps k and 5 - k have the weights e + t o and e - t o,
    where e = sum_d c[k, d] s^d and o = sum_d c[k, 5 + d] s^d, d from 0 to 4. At f = 0 exactly the
    caller takes 0 and 1 instead, so that a map of whole pixels copies values bit for bit.
    """
    # Chebyshev nodes make the least-squares fit nearly the minimax one.
    t = np.cos(np.pi * (np.arange(100) + 0.5) / 200.0) / 2.0
    exact = weights(method, t + 0.5)
    left, right = exact[:, :3], exact[:, :2:-1]
    powers = np.vander(t * t, TERMS, increasing=True)
    even = np.linalg.lstsq(powers, (left + right) / 2.0, rcond=None)[0]
    odd = np.linalg.lstsq(powers * t[:, None], (left - right) / 2.0, rcond=None)[0]
    exact_terms = {"bilinear": 1, "bicubic": 2}.get(method, TERMS)
    for part in (even, odd):
        part[exact_terms:] = 0.0  # rounding of the fit; the kernel has no such terms
    table = np.ascontiguousarray(np.vstack([even, odd]).T.astype(np.float32))
    if method != "lanczos3":
        table[np.abs(table) < 1e-9] = 0.0
    table.flags.writeable = False
    return table
