"""Where a point of the sky falls on the sensor: pointing, field rotation and lens distortion."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from coldframe.frame import Array


@dataclass(frozen=True, slots=True)
class Projection:
    """From the sky plane (v, u), in pixels about the target, to sensor pixels (y, x) and back.

    The sky plane is turned by `rotation` (deg, from x towards y), shifted by (dy, dx) px, then
    moved away from the optical axis at (axis_y, axis_x) px by the lens: r' = r (1 + k (r / R)^2),
    R being half the sensor's diagonal in px. This is the first term of Brown's radial model
    (D. C. Brown, "Close-range camera calibration", Photogrammetric Engineering 37, 855, 1971).
    Pixel centres have whole coordinates.
    """

    axis_y: float
    axis_x: float
    radius: float
    k: float
    rotation: float = 0.0
    dy: float = 0.0
    dx: float = 0.0

    def to_pixel(self, v: Array, u: Array) -> tuple[Array, Array]:
        """Pixel (y, x) of sky-plane points; arrays of any one shape."""
        cos, sin = self._turn()
        y = sin * u + cos * v + self.dy
        x = cos * u - sin * v + self.dx
        stretch = 1 + self.k * (y * y + x * x) / self.radius**2
        return self.axis_y + y * stretch, self.axis_x + x * stretch

    def to_sky(self, y: Array, x: Array) -> tuple[Array, Array]:
        """The inverse of `to_pixel`, to better than 1e-6 px for |k| up to 0.1."""
        y = np.asarray(y, dtype=np.float64) - self.axis_y
        x = np.asarray(x, dtype=np.float64) - self.axis_x
        seen = np.hypot(y, x) / self.radius
        true = seen.copy()
        for _ in range(5):  # Newton's method; the start is a few per cent off at most
            true -= (true + self.k * true**3 - seen) / (1 + 3 * self.k * true**2)
        shrink = np.divide(true, seen, out=np.ones_like(seen), where=seen > 0)
        cos, sin = self._turn()
        y = y * shrink - self.dy
        x = x * shrink - self.dx
        return cos * y - sin * x, sin * y + cos * x

    def _turn(self) -> tuple[float, float]:
        angle = math.radians(self.rotation)
        return math.cos(angle), math.sin(angle)
