"""Interpolation weights as polynomials of the sub-pixel position.

On the interval between two pixels every one of these kernels is, per tap, either a polynomial
(bilinear, bicubic) or an analytic function that one of ninth order follows to 2e-7 (Lanczos 3).
One form for all of them keeps the pixel loop free of look-ups and branches.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

TAPS = 6
FIRST = -2
"""Six taps at whole-pixel distances -2..3 from the pixel left of (above) the position."""

DEGREE = 9

REACH = {"bilinear": 1, "bicubic": 2, "lanczos3": 3}
"""How many pixels on each side of a position have weight."""


def weights(method: str, fraction: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weights of the six taps for sub-pixel positions in 0..1, by definition of the kernel.

    Parameters
    ----------
    method : "bilinear", the triangle; "bicubic", cubic convolution with a = -1/2 (Keys 1981, IEEE
        Trans. Acoust. Speech Signal Process. 29, 1153); "lanczos3", a sinc windowed by the central
        lobe of a sinc three times as wide (Duchon 1979, J. Appl. Meteorol. 18, 1016), divided by
        the sum of its weights so that a flat sky stays flat.
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
        return lobes / lobes.sum(axis=1, keepdims=True)
    raise ValueError(f"no interpolation method is called '{method}'; there are {sorted(REACH)}")


@lru_cache(maxsize=len(REACH))
def coefficients(method: str) -> NDArray[np.float32]:
    """Polynomials in the sub-pixel position f: weight k is sum_d c[k, d] f^d.

    Returns
    -------
    float32 (6, 10), read-only. Column 0 is exact, so that at f = 0 the weights are exactly 0 and 1
    and a map of whole pixels copies values bit for bit.
    """
    # Chebyshev nodes make the least-squares fit nearly the minimax one.
    nodes = (1.0 - np.cos(np.pi * (np.arange(200) + 0.5) / 200.0)) / 2.0
    start = weights(method, np.zeros(1))
    powers = np.vander(nodes, DEGREE + 1, increasing=True)[:, 1:]
    rest = np.linalg.lstsq(powers, weights(method, nodes) - start, rcond=None)[0]
    table = np.ascontiguousarray(np.vstack([start, rest]).T.astype(np.float32))
    if method == "bilinear":
        table[:, 2:] = 0.0  # rounding of the fit; the kernel has no such terms
    elif method == "bicubic":
        table[:, 4:] = 0.0
    table.flags.writeable = False
    return table
