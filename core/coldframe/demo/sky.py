"""The invented sky: stars, a faint nebula and the glow of the air.

All rates are photo-electrons per second (per pixel for surfaces) in a list of bands, above the
air and before the lens's shading. Places are sky-plane pixels (v, u) about the target, as in
`coldframe.demo.geometry`. No catalogue of real objects is used.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coldframe.frame import Array


@dataclass(frozen=True, slots=True)
class Stars:
    """Places v, u (n,) in px and rate (bands, n) in e-/s, brightest first."""

    v: Array
    u: Array
    rate: Array


def make_stars(
    radius: float,
    per_megapixel: float,
    faintest: float,
    brightest: float,
    bands: Sequence[tuple[float, float]],
    rng: np.random.Generator,
) -> Stars:
    """A disc of stars, evenly strewn, with a power law of brightness and a spread of colours.

    Parameters
    ----------
    radius : px. per_megapixel : stars on a million pixels.
    faintest, brightest : e-/s in a band of factor 1. The number above a rate F goes as F^-0.85:
        flatter than the F^-1.5 of evenly filled space, as star counts in the Milky Way are.
    bands : for each, (sensitivity, slope): a star whose colour index is c (mag, about 0.6 on
        average) has sensitivity * 10^(0.4 slope (c - 0.6)).
    """
    slope = 0.85
    count = round(math.pi * radius**2 * per_megapixel / 1e6)
    # Inverse of the cumulative power law between the two ends.
    share = rng.random(count)
    low, high = faintest**-slope, brightest**-slope
    rate = np.sort((low - share * (low - high)) ** (-1 / slope))[::-1]
    r = radius * np.sqrt(rng.random(count))
    angle = rng.uniform(0, 2 * math.pi, count)
    colour = np.clip(rng.normal(0.7, 0.45, count), -0.3, 2.0)
    rates = [s * rate * 10 ** (0.4 * tilt * (colour - 0.6)) for s, tilt in bands]
    return Stars(r * np.sin(angle), r * np.cos(angle), np.array(rates))


@dataclass(frozen=True, slots=True)
class Cloud:
    """One elliptical Gaussian of nebula: centre and sigmas in px, angle in deg, peak e-/s/px."""

    v: float
    u: float
    sigma_v: float
    sigma_u: float
    angle: float
    peak: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Nebula:
    """A smooth nebula: a sum of Gaussians, so that its true brightness is known everywhere."""

    clouds: tuple[Cloud, ...]

    def brightness(self, v: Array, u: Array) -> Array:
        """e-/s/px, (bands, ...) for sky-plane points of any shape."""
        total = np.zeros((len(self.clouds[0].peak), *np.shape(v)))
        for cloud in self.clouds:
            angle = math.radians(cloud.angle)
            along = math.cos(angle) * (v - cloud.v) - math.sin(angle) * (u - cloud.u)
            across = math.sin(angle) * (v - cloud.v) + math.cos(angle) * (u - cloud.u)
            shape = np.exp(-0.5 * ((along / cloud.sigma_v) ** 2 + (across / cloud.sigma_u) ** 2))
            total += np.multiply.outer(cloud.peak, shape)
        return total


def make_nebula(
    radius: float, shell: Sequence[float], core: Sequence[float], rng: np.random.Generator
) -> Nebula:
    """A shell of bright arcs about a glowing core, in a wide halo: half of `radius` (px) across.

    shell, core : e-/s/px by band that the brightest arcs and the middle roughly reach.
    """
    tilt, high, wide = math.radians(rng.uniform(0, 60)), 0.19 * radius, 0.27 * radius

    def cloud(
        v: float, u: float, sigmas: tuple[float, float], angle: float, peak: Sequence[float]
    ) -> Cloud:
        turned = (
            v * math.cos(tilt) + u * math.sin(tilt),
            u * math.cos(tilt) - v * math.sin(tilt),
        )
        sizes = sigmas[0] * radius, sigmas[1] * radius
        return Cloud(*turned, *sizes, angle + math.degrees(tilt), tuple(peak))

    clouds = [
        cloud(0, 0, (0.20, 0.28), 0.0, [0.30 * s for s in shell]),
        cloud(0.02 * radius, -0.03 * radius, (0.09, 0.13), 0.0, core),
    ]
    for i in range(14):
        along = 2 * math.pi * (i + rng.uniform(-0.3, 0.3)) / 14
        out = rng.uniform(0.9, 1.1)
        v, u = out * high * math.sin(along), out * wide * math.cos(along)
        # Arcs lie along the shell: their long axis is its tangent.
        tangent = math.degrees(math.atan2(high * math.cos(along), -wide * math.sin(along)))
        bright = rng.uniform(0.1, 0.65)
        sigmas = (float(rng.uniform(0.035, 0.05)), float(rng.uniform(0.06, 0.11)))
        tint = rng.uniform(0.85, 1.15, len(shell))
        peak = [float(bright * s * t) for s, t in zip(shell, tint, strict=True)]
        clouds.append(cloud(v, u, sigmas, tangent, peak))
    return Nebula(tuple(clouds))


@dataclass(frozen=True, slots=True)
class Glow:
    """The sky's own light in one frame: a plane with a mild curvature.

    level : e-/s/px by band at the target. The rest is relative to it: slope_v and slope_u over
    `radius` px, curve at `radius` px from the target.
    """

    level: tuple[float, ...]
    slope_v: float
    slope_u: float
    curve: float
    radius: float

    def brightness(self, v: Array, u: Array) -> Array:
        """e-/s/px, (bands, ...) for sky-plane points of any shape."""
        return np.multiply.outer(self.level, self.relative(v, u))

    def relative(self, v: Array, u: Array) -> Array:
        """Brightness over that at the target."""
        v, u = v / self.radius, u / self.radius
        return 1 + self.slope_v * v + self.slope_u * u + self.curve * (v * v + u * u)


@dataclass(frozen=True, slots=True)
class Psf:
    """A star's image: an elliptical Moffat function with beta = 3.5.

    fwhm : px, geometric mean of both axes. roundness : minor over major axis. angle : deg of the
    major axis, from x towards y. Source: A. F. J. Moffat, A&A 3, 455 (1969).
    """

    fwhm: float
    roundness: float = 1.0
    angle: float = 0.0

    def coefficients(self) -> tuple[float, float, float]:
        """(a, b, c) of q = a y^2 + 2 b y x + c x^2; the image goes as (1 + q)^-3.5."""
        alpha = self.fwhm / (2 * math.sqrt(2 ** (1 / BETA) - 1))
        major, minor = alpha / math.sqrt(self.roundness), alpha * math.sqrt(self.roundness)
        sin, cos = math.sin(math.radians(self.angle)), math.cos(math.radians(self.angle))
        return (
            (sin / major) ** 2 + (cos / minor) ** 2,
            sin * cos * (major**-2 - minor**-2),
            (cos / major) ** 2 + (sin / minor) ** 2,
        )


BETA = 3.5
