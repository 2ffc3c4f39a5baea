"""What the optics do to the light before the sensor sees it: shading and dust."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coldframe.frame import Array


@dataclass(frozen=True, slots=True)
class Dust:
    """The shadow of one speck: a ring, as the speck lies before the focus of an open aperture.

    Centre and radii in px; depth is the share of light lost in the ring.
    """

    y: float
    x: float
    outer: float
    inner: float
    depth: float


@dataclass(frozen=True, slots=True)
class Optics:
    """A lens or telescope.

    focal_length in mm. Shading is cos^4 of the off-axis angle, which reaches `edge_angle` (deg)
    in the corners, times a mechanical part, 1 - edge_loss (r / R)^4, R being half the sensor's
    diagonal. axis is where the optical axis meets the sensor, in px from its centre (y, x).
    distortion is k of `Projection`.
    Source: the cosine-fourth law, R. Kingslake, Optical System Design (1983), chapter 5;
    the mechanical part is an invented curve.
    """

    name: str
    focal_length: float
    aperture: float
    edge_angle: float
    edge_loss: float
    axis: tuple[float, float] = (0.0, 0.0)
    distortion: float = 0.0

    def shading(self, shape: tuple[int, int], y: Array, x: Array) -> Array:
        """Share of light that reaches pixel (y, x); 1 on the axis. y and x broadcast."""
        height, width = shape
        radius2 = (height**2 + width**2) / 4
        r2 = (
            (y - (height - 1) / 2 - self.axis[0]) ** 2 + (x - (width - 1) / 2 - self.axis[1]) ** 2
        ) / radius2
        tan2 = math.tan(math.radians(self.edge_angle)) ** 2
        return (1 - self.edge_loss * r2 * r2) / (1 + tan2 * r2) ** 2  # cos^4 = (1 + tan^2)^-2

    def response(self, shape: tuple[int, int], dust: Sequence[Dust]) -> Array:
        """Shading and dust shadows for every pixel, float32 (y, x)."""
        height, width = shape
        y = np.arange(height, dtype=np.float32)[:, np.newaxis]
        x = np.arange(width, dtype=np.float32)[np.newaxis, :]
        out: Array = self.shading(shape, y, x).astype(np.float32)
        for speck in dust:
            reach = int(speck.outer + 6)
            rows = slice(max(int(speck.y) - reach, 0), max(int(speck.y) + reach, 0))
            columns = slice(max(int(speck.x) - reach, 0), max(int(speck.x) + reach, 0))
            r = np.hypot(y[rows] - speck.y, x[:, columns] - speck.x)
            ring = _step(speck.outer - r) * _step(r - speck.inner)
            out[rows, columns] *= 1 - speck.depth * ring
        return out


def _step(distance: Array) -> Array:
    """From 0 to 1 within about 4 px: the edge of a shadow is never sharp."""
    return 1 / (1 + np.exp(-distance / 1.2))
