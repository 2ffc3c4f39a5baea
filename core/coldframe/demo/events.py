"""What spoils a frame: trails of satellites and aircraft, and cosmic rays."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from coldframe.frame import Array


@dataclass(frozen=True, slots=True)
class Trail:
    """A straight streak between two sensor pixels, seen through the star's image width.

    peak : electrons in the middle of the streak by band. width : sigma in px.
    period : px between flashes of an aircraft's lights; 0 for the even light of a satellite.
    """

    y0: float
    x0: float
    y1: float
    x1: float
    peak: tuple[float, ...]
    width: float
    period: float = 0.0


def make_trail(
    shape: tuple[int, int],
    peak: tuple[float, ...],
    width: float,
    rng: np.random.Generator,
    period: float = 0.0,
) -> Trail:
    """A streak right across the frame, at a random place and angle."""
    height, width_px = shape
    y, x = rng.uniform(0.25, 0.75, 2) * shape
    angle = rng.uniform(0, math.pi)
    reach = math.hypot(height, width_px)
    dy, dx = reach * math.sin(angle), reach * math.cos(angle)
    return Trail(y - dy, x - dx, y + dy, x + dx, peak, width, period)


def cosmic_rays(shape: tuple[int, int], exposure: float, rng: np.random.Generator) -> Array:
    """Hits of one frame: rows of (y, x, electrons).

    Two particles a minute on a square centimetre of 6 um pixels: about one muon, and as many from
    the surroundings (D. Groom, "Cosmic rays and other nonsense in astronomical CCD imagers", Exp.
    Astron. 14, 45, 2002; from memory). Each leaves about 80 electrons a um of its path (Janesick
    2007; from memory).
    """
    height, width = shape
    count = rng.poisson(height * width * exposure * 1.2e-8)
    hits: list[tuple[int, int, float]] = []
    for _ in range(count):
        y, x = rng.uniform(0, height), rng.uniform(0, width)
        angle = rng.uniform(0, 2 * math.pi)
        length = rng.exponential(3.0)
        charge = 480 * rng.lognormal(0, 0.4)  # per pixel of path, 6 um
        steps = max(int(length * 4), 1)
        for step in range(steps):
            py = int(y + step / 4 * math.sin(angle))
            px = int(x + step / 4 * math.cos(angle))
            if 0 <= py < height and 0 <= px < width:
                hits.append((py, px, charge * max(length, 1) / steps))
    return np.array(hits, dtype=np.float64).reshape(-1, 3)
