"""Elliptical hills and a smooth sky, fitted to samples together.

Heights of hills and the sky's coefficients are linear and are solved for outright; only the shapes
are searched for (variable projection: Golub & Pereyra 1973, SIAM J. Numer. Anal. 10, 413, with the
derivative of Kaufman 1975, BIT 15, 49).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from coldframe.frame import Array

SHAPE = 6
"""Numbers of a hill: centre y and x, ln of two inverse widths, shear, tail; see `hill`. Lengths are
in the frame's longer half-side."""

LOWEST = np.array([-1.2, -1.2, -np.log(1.8), -np.log(1.8), -6.0, -0.7])
HIGHEST = np.array([1.2, 1.2, -np.log(0.1), -np.log(0.1), 6.0, 0.5])
"""A hill of a sigma above 1.8, nearly the frame's whole length, is no different from a bent sky."""

TYPICAL = np.array([0.2, 0.2, 0.3, 0.3, 0.5, 0.3])
"""How far each number is likely to move while it is searched for."""

TAILS = 0.25
"""Spread of tails that is expected: what the data leave open is decided for a Gaussian."""

NEAR_GAUSS = 1e-5
"""Tails below this are worked out by a series."""

EVALUATIONS = 30
SETTLED = 1e-5
"""A search ends when a step gains less than this share."""

SOFT = 3.0
"""Residuals beyond so many sigmas count in proportion, no longer by their square."""


def hill(shape: Array, y: Array, x: Array) -> Array:
    """A hill of height 1 at places y, x: (1 + t r^2 / 2)^(-1/t), r the elliptical distance in sigmas.

    With a tail t of 0 it is a Gaussian, above it has wide wings (Moffat 1969, A&A 3, 455), below it
    ends at r^2 = -2/t.
    """
    return _hill_and_slopes(shape, y, x)[0]


def _hill_and_slopes(shape: Array, y: Array, x: Array) -> tuple[Array, Array]:
    """A hill at places of any shape, and its derivatives by the six numbers, (..., SHAPE)."""
    cy, cx, across, down, shear, t = shape
    dy, dx = y - cy, x - cx
    e, f = np.exp(across), np.exp(down)
    u, v = e * dx + shear * dy, f * dy
    half = (u * u + v * v) / 2
    if abs(t) < NEAR_GAUSS:
        rise = 1 + t * half
        made = np.exp(-half + t * half**2 / 2 - t * t * half**3 / 3) if t else np.exp(-half)
        by_tail = made * (half**2 / 2 - 2 * t * half**3 / 3)
        steep = -made / np.maximum(rise, 0.5)
    else:
        inside = t * half > -1 + 1e-9
        rise = np.where(inside, 1 + t * half, 1.0)
        log = np.log(rise)
        made = np.where(inside, np.exp(-log / t), 0.0)
        by_tail = made * (log / t - half / rise) / t
        steep = -made / rise
    by_half = [-(u * shear + v * f), -u * e, u * e * dx, v * v, u * dy]
    return made, np.stack([*(steep * one for one in by_half), by_tail], axis=-1)


def trials(aspect: tuple[float, float]) -> Array:
    """Shapes that a search begins from, (k, SHAPE): many places, round and twice as long as wide."""
    out = []
    for cy in np.linspace(-0.9, 0.9, 7) * aspect[0]:
        for cx in np.linspace(-0.9, 0.9, 9) * aspect[1]:
            for sigma in (0.15, 0.25, 0.4, 0.6, 0.9, 1.3):
                for longer in (-0.35, 0.0, 0.35):
                    log = -np.log(sigma)
                    out.append((cy, cx, log - longer, log + longer, 0.0, 0.0))
    return np.array(out)


@dataclass(frozen=True, slots=True)
class Points:
    """What is fitted: y, x (n,) on the scale -1 to 1; values (n, c) in units of their noise; roots
    (n,) of weights; aspect turns y and x into lengths."""

    y: Array
    x: Array
    values: Array
    roots: Array
    aspect: tuple[float, float]

    def trial_hills(self, shapes: Array) -> Array:
        """Many Gaussians at the points at once, their shears and tails being 0: (n, k)."""
        cy, cx, across, down = shapes[:, :4].T
        dy = (self.y[:, np.newaxis] * self.aspect[0] - cy) * np.exp(down)
        dx = (self.x[:, np.newaxis] * self.aspect[1] - cx) * np.exp(across)
        out: Array = np.exp(-(dy * dy + dx * dx) / 2)
        return out

    def hills(self, shapes: Array) -> Array:
        """Each hill at the points, (n, k)."""
        y, x = self.y * self.aspect[0], self.x * self.aspect[1]
        made = [hill(shape, y, x) for shape in shapes.reshape(-1, SHAPE)]
        return np.stack(made, axis=1) if made else np.zeros((y.size, 0))


Basis = Callable[[Array, Array, Array], Array]
"""Of a sky: its bends (b,) and places y, x (n,) to its terms (n, m)."""


@dataclass(frozen=True, slots=True)
class Joint:
    """A sky with hills that was fitted.

    bends : the sky's own shape, (b,). shapes : (k, SHAPE). sky, heights : coefficients (m, c) and
    (k, c). residual : (n, c), weighted, in sigmas. design : (n, m + k). slopes : (n, b + 6 k, c),
    derivatives of the fitted values by bends and shapes; both weighted.
    """

    bends: Array
    shapes: Array
    sky: Array
    heights: Array
    residual: Array
    design: Array
    slopes: Array

    @property
    def misfit(self) -> float:
        """Mean square of the residuals in sigmas, large ones softened."""
        z = self.residual / SOFT
        return float(np.mean(2 * SOFT**2 * (np.sqrt(1 + z * z) - 1)))


def best_trial(points: Points, made: Array, known: Array) -> int:
    """Which of the hills `made` (n, k) lowers most what the columns `known` (n, m) leave."""
    root = points.roots[:, np.newaxis]
    q, _ = np.linalg.qr(known * root)
    hills, values = made * root, points.values * root
    whole = np.einsum("ij,ij->j", hills, hills)
    told = hills.T @ (values - q @ (q.T @ values))
    # What the known columns can imitate to a thousandth is no new hill.
    left = np.maximum(whole - ((q.T @ hills) ** 2).sum(axis=0), 1e-3 * whole)
    return int(np.argmax((np.maximum(told, 0) ** 2).sum(axis=1) / left))


def joint_fit(points: Points, basis: Basis, bends: Array, shapes: Array) -> Joint:
    """Fit a sky and hills, from the given bends (b,) and shapes (k, SHAPE).

    References
    ----------
    Marquardt 1963, J. SIAM 11, 431, on normal equations: there are few numbers, and no library
    with threads of its own is needed for so little. Residuals count as Charbonnier et al. 1997,
    IEEE Trans. Image Proc. 6, 298, have it.
    """
    b, k = bends.size, len(shapes.reshape(-1, SHAPE))
    low = np.concatenate([np.full(b, -1.2), np.tile(LOWEST, k)])
    high = np.concatenate([np.full(b, 1.2), np.tile(HIGHEST, k)])
    at_least = np.concatenate([np.full(b, 0.2), np.tile(TYPICAL, k)]) ** -2
    tails = np.arange(b + SHAPE - 1, low.size, SHAPE)
    numbers = np.clip(np.concatenate([bends, shapes.ravel()]), low, high)
    fit = _solved(points, basis, numbers, b)
    cost, damping, fresh = _cost(fit, numbers[tails]), 1e-2, True
    for _ in range(EVALUATIONS if numbers.size else 0):
        if fresh:
            normal, slope = _normal_equations(fit, numbers, tails)
        free = ~(((numbers <= low) & (slope > 0)) | ((numbers >= high) & (slope < 0)))
        if not free.any():
            break
        part = normal[np.ix_(free, free)]
        part = part + damping * np.diag(np.maximum(np.diag(part), at_least[free]))
        step = np.zeros(numbers.size)
        step[free] = -np.linalg.solve(part, slope[free])
        tried = np.clip(numbers + step, low, high)
        there = _solved(points, basis, tried, b)
        found = _cost(there, tried[tails])
        fresh = found < cost
        if fresh:
            gained, numbers, fit, cost = cost - found, tried, there, found
            damping = max(damping / 6, 1e-9)
            if gained < SETTLED * cost:
                break
        else:
            damping *= 5
            if np.all(np.abs(tried - numbers) * np.sqrt(at_least) < 1e-5):
                break
    return fit


def _cost(fit: Joint, tails: Array) -> float:
    z = np.append(fit.residual.ravel(), tails / TAILS) / SOFT
    return float(np.sum(np.sqrt(1 + z * z) - 1)) * SOFT**2


def _normal_equations(fit: Joint, numbers: Array, tails: Array) -> tuple[Array, Array]:
    """Of the cost by bends and shapes: curvature (p, p) and slope (p,)."""
    z = fit.residual.ravel()
    pull = 1 / np.sqrt(1 + (z / SOFT) ** 2)
    by = _jacobian(fit)
    normal, slope = by.T @ (by * pull[:, np.newaxis]), by.T @ (pull * z)
    z = numbers[tails] / TAILS
    pull = 1 / np.sqrt(1 + (z / SOFT) ** 2)
    normal[tails, tails] += pull / TAILS**2
    slope[tails] += pull * z / TAILS
    return normal, slope


def _solved(points: Points, basis: Basis, numbers: Array, b: int) -> Joint:
    bends, shapes = numbers[:b], numbers[b:].reshape(-1, SHAPE)
    terms = basis(bends, points.y, points.x)
    root = points.roots[:, np.newaxis]
    y, x = points.y * points.aspect[0], points.x * points.aspect[1]
    hills = [_hill_and_slopes(shape, y, x) for shape in shapes]
    design = np.column_stack([terms, *(made for made, _ in hills)]) * root
    values, m = points.values * root, terms.shape[1]
    found = _solve(design, values, m)
    slopes = np.empty((len(values), numbers.size, values.shape[1]))
    for j in range(b):
        step = bends.copy()
        step[j] += 1e-5
        slopes[:, j] = (basis(step, points.y, points.x) - terms) @ found[:m] * root / 1e-5
    for k, (_, by) in enumerate(hills):
        these = slice(b + SHAPE * k, b + SHAPE * (k + 1))
        slopes[:, these] = (by * root)[:, :, np.newaxis] * found[m + k]
    return Joint(bends, shapes, found[:m], found[m:], values - design @ found, design, slopes)


def _solve(design: Array, values: Array, m: int) -> Array:
    """Least squares in which the columns from m on have no negative coefficients."""
    found = np.linalg.lstsq(design, values, rcond=None)[0]
    for c in np.flatnonzero((found[m:] < 0).any(axis=0)):
        active = np.ones(design.shape[1], bool)
        while True:
            one = np.zeros(design.shape[1])
            one[active] = np.linalg.lstsq(design[:, active], values[:, c], rcond=None)[0]
            negative = one < 0
            negative[:m] = False
            if not negative.any():
                break
            active &= ~negative
        found[:, c] = one
    return np.asarray(found)


def _jacobian(joint: Joint) -> Array:
    """Of the residuals by bends and shapes, (n c, b + 6 k), as Kaufman has it."""
    q, _ = np.linalg.qr(joint.design)
    n, p, c = joint.slopes.shape
    flat = joint.slopes.reshape(n, p * c)
    out = -(flat - q @ (q.T @ flat)).reshape(n, p, c)
    return np.ascontiguousarray(out.transpose(0, 2, 1)).reshape(n * c, p)
