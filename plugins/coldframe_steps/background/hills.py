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

EVALUATIONS = 30
SOFT = 3.0
"""Residuals beyond so many sigmas count in proportion, no longer by their square."""


def hill(shape: Array, y: Array, x: Array) -> Array:
    """A hill of height 1 at places y, x: (1 + t r^2 / 2)^(-1/t), r the elliptical distance in sigmas.

    With a tail t of 0 it is a Gaussian, above it has wide wings (Moffat 1969, A&A 3, 455), below it
    ends at r^2 = -2/t.
    """
    cy, cx, across, down, shear, tail = shape
    dy, dx = y - cy, x - cx
    half = ((np.exp(across) * dx + shear * dy) ** 2 + (np.exp(down) * dy) ** 2) / 2
    if abs(tail) < 1e-7:
        gauss: Array = np.exp(-half)
        return gauss
    inside = tail * half > -1
    out: Array = np.where(inside, np.exp(-np.log1p(np.where(inside, tail * half, 0)) / tail), 0.0)
    return out


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
    whole = (hills * hills).sum(axis=0)
    hills, values = hills - q @ (q.T @ hills), values - q @ (q.T @ values)
    # What the known columns can imitate to a thousandth is no new hill.
    left = np.maximum((hills * hills).sum(axis=0), 1e-3 * whole)
    return int(np.argmax((np.maximum(hills.T @ values, 0) ** 2).sum(axis=1) / left))


def joint_fit(points: Points, basis: Basis, bends: Array, shapes: Array) -> Joint:
    """Fit a sky and hills, from the given bends (b,) and shapes (k, SHAPE)."""
    b, k = bends.size, len(shapes.reshape(-1, SHAPE))
    start = np.concatenate([bends, shapes.ravel()])
    low = np.concatenate([np.full(b, -1.2), np.tile(LOWEST, k)])
    high = np.concatenate([np.full(b, 1.2), np.tile(HIGHEST, k)])
    tails = np.arange(b + SHAPE - 1, start.size, SHAPE)
    last: dict[bytes, Joint] = {}

    def solved(numbers: Array) -> Joint:
        key = numbers.tobytes()
        if key not in last:
            last.clear()
            last[key] = _solved(points, basis, numbers, b)
        return last[key]

    def residuals(numbers: Array) -> Array:
        return np.append(solved(numbers).residual.ravel(), numbers[tails] / TAILS)

    def jacobian(numbers: Array) -> Array:
        return np.vstack([_jacobian(solved(numbers)), np.eye(numbers.size)[tails] / TAILS])

    if start.size:
        from scipy.optimize import least_squares as search

        start = search(
            residuals,
            np.clip(start, low + 1e-6, high - 1e-6),
            jac=jacobian,
            bounds=(low, high),
            x_scale=np.concatenate([np.full(b, 0.2), np.tile(TYPICAL, k)]),
            loss="soft_l1",
            f_scale=SOFT,
            max_nfev=EVALUATIONS,
            ftol=1e-5,
            xtol=1e-5,
            gtol=1e-8,
        ).x
    return _solved(points, basis, start, b)


def _solved(points: Points, basis: Basis, numbers: Array, b: int) -> Joint:
    bends, shapes = numbers[:b], numbers[b:].reshape(-1, SHAPE)
    terms = basis(bends, points.y, points.x)
    root = points.roots[:, np.newaxis]
    design = np.concatenate([terms, points.hills(shapes)], axis=1) * root
    values, m = points.values * root, terms.shape[1]
    found = _solve(design, values, m)
    slopes = np.zeros((len(values), numbers.size, values.shape[1]))
    for j in range(numbers.size):
        step = numbers.copy()
        step[j] += 1e-5
        if j < b:
            moved = (basis(step[:b], points.y, points.x) - terms) @ found[:m]
        else:
            k = (j - b) // SHAPE
            one = points.hills(step[b:].reshape(-1, SHAPE)[k])[:, 0] * points.roots
            moved = np.outer(one - design[:, m + k], found[m + k]) / root
        slopes[:, j] = moved * root / 1e-5
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
