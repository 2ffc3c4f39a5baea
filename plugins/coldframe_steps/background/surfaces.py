"""Smooth surfaces fitted to sky samples: polynomials and thin-plate splines."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from scipy.linalg import solve_triangular

from coldframe.frame import Array
from coldframe_steps.kernels.simd import WIDE
from coldframe_steps.kernels.surface import TERMS, chebyshev_surface, spread

TUKEY = 4.685
"""Biweight tuning for 95% efficiency on normal residuals (Beaton & Tukey 1974)."""

NODES = 96
"""Nodes along the longer side of the grid that a spline is evaluated on before it is spread to
every pixel: a few for each sample, since it is no rougher than the samples allow."""


def least_squares(design: Array, values: Array, weights: Array | None = None) -> Array:
    """Weighted linear least squares by QR factorisation.

    Parameters
    ----------
    design : float64 (n, m). values : (n,) or (n, c). weights : (n,), proportional to 1 / sigma^2.

    Returns
    -------
    Coefficients (m,) or (m, c).

    Raises
    ------
    numpy.linalg.LinAlgError when the columns are not independent on these samples.

    References
    ----------
    Golub & Van Loan, Matrix Computations, ch. 5: QR avoids squaring the condition number.
    """
    if weights is not None:
        root = np.sqrt(weights)
        design = design * root[:, np.newaxis]
        values = values * (root if values.ndim == 1 else root[:, np.newaxis])
    q, r = np.linalg.qr(design)
    diagonal = np.abs(np.diag(r))
    if diagonal.min() <= diagonal.max() * 1e-12:
        raise np.linalg.LinAlgError("samples do not determine the surface")
    out: Array = solve_triangular(r, q.T @ values)
    return out


def chebyshev(t: Array, order: int) -> Array:
    """Chebyshev polynomials T_0 to T_order at -1 <= t <= 1: (n, order + 1)."""
    out: Array = np.polynomial.chebyshev.chebvander(t, order)
    return out


def plane_terms(order: int) -> list[tuple[int, int]]:
    """Powers (of y, of x) whose sum is at most `order`."""
    return [(i, j) for i in range(order + 1) for j in range(order + 1 - i)]


def design_matrix(y: Array, x: Array, order: int) -> Array:
    """Products of Chebyshev polynomials in both directions, up to a total order."""
    ty, tx = chebyshev(y, order), chebyshev(x, order)
    return np.stack([ty[:, i] * tx[:, j] for i, j in plane_terms(order)], axis=1)


def biweight(residual: Array, sigma: float) -> Array:
    """Tukey's biweight of residuals, 0 to 1."""
    if sigma <= 0:
        return np.ones_like(residual)
    u = np.minimum(np.abs(residual) / (TUKEY * sigma), 1)
    out: Array = (1 - u * u) ** 2
    return out


def robust_fit(
    fit: Callable[[Array], Array], values: Array, weights: Array, rounds: int = 8
) -> tuple[Array, float]:
    """Reweight a fit by the biweight of its residuals until it settles.

    fit : maps weights (n,) to fitted values (n,). Returns the last weights to fit with, and the
    robust sigma of the residuals (ADU).
    """
    scale = np.ones_like(weights)
    sigma = 0.0
    for _ in range(rounds):
        residual = values - fit(weights * scale)
        before, sigma = sigma, 1.4826 * float(np.median(np.abs(residual)))
        scale = biweight(residual, sigma)
        if abs(sigma - before) <= 1e-4 * sigma:
            break
    return weights * scale, sigma


@dataclass(frozen=True, slots=True)
class Polynomial:
    """A polynomial surface; coefficients float64 (order + 1, order + 1) of T_i(y) T_j(x)."""

    coefficients: Array

    @classmethod
    def fit(cls, y: Array, x: Array, values: Array, weights: Array, order: int) -> Polynomial:
        """Least squares on samples at -1 <= y, x <= 1."""
        return cls.solve(design_matrix(y, x, order), values, weights, order)

    @classmethod
    def solve(cls, design: Array, values: Array, weights: Array, order: int) -> Polynomial:
        """The same, given `design_matrix` of the samples."""
        found = least_squares(design, values, weights)
        full = np.zeros((order + 1, order + 1))
        for (i, j), value in zip(plane_terms(order), found, strict=True):
            full[i, j] = value
        return cls(full)

    def at(self, y: Array, x: Array) -> Array:
        """Values at places (n,)."""
        out: Array = np.polynomial.chebyshev.chebval2d(y, x, self.coefficients)
        return out

    def plus(self, more: Polynomial) -> Polynomial:
        """The sum of both."""
        side = max(len(self.coefficients), len(more.coefficients))
        parts = [
            np.pad(one.coefficients, (0, side - len(one.coefficients))) for one in (self, more)
        ]
        return Polynomial(parts[0] + parts[1])

    def over(self, shape: tuple[int, int]) -> Sheet:
        """The surface over a frame (height, width)."""
        padded = np.pad(self.coefficients, (0, TERMS - len(self.coefficients)))
        return PolynomialSheet(padded, places(shape[0]), places(shape[1]))


@dataclass(frozen=True, slots=True)
class ThinPlate:
    """A polynomial and, on top of it, a smoothing thin-plate spline through what it leaves.

    The spline (Duchon 1977; Wahba 1990, Spline Models, ch. 2) minimises the mean squared residual
    plus `stiffness` times its bending energy, with the frame's longer half-side as the unit of
    length. Where there are no samples, as behind a nebula, little is left to it, and the
    polynomial carries on.
    """

    trend: Polynomial
    spline: Callable[[Array], Array]
    aspect: tuple[float, float]

    @classmethod
    def fit(
        cls,
        y: Array,
        x: Array,
        values: Array,
        weights: Array,
        order: int,
        stiffness: float,
        aspect: tuple[float, float],
    ) -> ThinPlate:
        """Fit to samples at -1 <= y, x <= 1; `aspect` turns both into units of length."""
        # Spline code takes a third of a second to import, and polynomials do without it.
        from scipy.interpolate import RBFInterpolator

        trend = Polynomial.fit(y, x, values, weights, order)
        kept = weights > 1e-4 * weights.max()
        share = weights[kept] / weights[kept].mean()
        points = np.stack([y[kept] * aspect[0], x[kept] * aspect[1]], axis=1)
        spline = RBFInterpolator(
            points,
            (values - trend.at(y, x))[kept],
            smoothing=stiffness * kept.sum() / share,
            kernel="thin_plate_spline",
        )
        return cls(trend, spline, aspect)

    def at(self, y: Array, x: Array) -> Array:
        """Values at places (n,)."""
        bent = self.spline(np.stack([y * self.aspect[0], x * self.aspect[1]], axis=1))
        return self.trend.at(y, x) + bent

    def plus(self, more: Polynomial) -> ThinPlate:
        """The sum of both."""
        return replace(self, trend=self.trend.plus(more))

    def over(self, shape: tuple[int, int]) -> Sheet:
        """The surface over a frame (height, width).

        By cubic convolution between the nodes of a coarse grid.
        """
        longest = max(shape)
        m, n = (max(8, min(side, round(NODES * side / longest))) for side in shape)
        # The corner nodes are the centres of the corner pixels.
        nodes_y, nodes_x = (
            np.linspace(1 / side - 1, 1 - 1 / side, count)
            for side, count in zip(shape, (m, n), strict=True)
        )
        gy, gx = np.meshgrid(nodes_y, nodes_x, indexing="ij")
        return NodeSheet.between(self.at(gy.ravel(), gx.ravel()).reshape(m, n), shape)


Surface = Polynomial | ThinPlate


class Sheet(Protocol):
    """A surface over the pixels of one frame, any rows of it at a time."""

    def fill(self, y0: int, out: Array) -> None:
        """The rows from y0 on, written into float32 (rows, width), C-contiguous."""


@dataclass(frozen=True, slots=True)
class PolynomialSheet:
    """A polynomial; coefficients float64 (TERMS, TERMS), places of rows and columns, -1 to 1."""

    coefficients: Array
    rows: Array
    columns: Array

    def fill(self, y0: int, out: Array) -> None:
        """See `Sheet`."""
        rows = self.rows[y0 : y0 + len(out)]
        chebyshev_surface(self.coefficients, rows, self.columns, np.empty(TERMS), out)


@dataclass(frozen=True, slots=True)
class NodeSheet:
    """A grid of nodes, float64 (m, n), and how rows and columns lie between them: `cubic_taps`.

    The weights of columns are turned over and go on for a vector: (4, width + WIDE).
    """

    nodes: Array
    rows: tuple[Array, Array]
    columns: tuple[Array, Array]

    @classmethod
    def between(cls, nodes: Array, shape: tuple[int, int]) -> NodeSheet:
        """Over a frame (height, width); the corner nodes are the centres of the corner pixels."""
        m, n = nodes.shape
        first, weights = cubic_taps(shape[1], n)
        columns = first, np.ascontiguousarray(np.pad(weights, ((0, WIDE), (0, 0))).T)
        return cls(nodes, cubic_taps(shape[0], m), columns)

    def fill(self, y0: int, out: Array) -> None:
        """See `Sheet`."""
        first, weights = (part[y0 : y0 + len(out)] for part in self.rows)
        line, row = np.empty(self.nodes.shape[1]), np.empty(out.shape[1] + WIDE, np.float32)
        spread(self.nodes, first, weights, *self.columns, line, row, out)


def cubic_taps(pixels: int, nodes: int) -> tuple[Array, Array]:
    """The four of at least 4 `nodes` around each pixel of a side, and what each of them counts for.

    The outermost nodes are the centres of the outermost pixels.

    Returns
    -------
    int64 (pixels,), the first of the four; float64 (pixels, 4), their weights.

    References
    ----------
    Keys 1981, IEEE Trans. ASSP 29, 1153: cubic convolution, with a = -1/2. At the rim the cubic
    through the four outermost nodes (Lagrange).
    """
    position = np.arange(pixels) * (nodes - 1) / max(pixels - 1, 1)
    first = np.clip(np.floor(position).astype(np.int64) - 1, 0, nodes - 4)
    u = position - first
    t = u - 1.0
    keys = (
        ((-0.5 * t + 1.0) * t - 0.5) * t,
        (1.5 * t - 2.5) * t * t + 1.0,
        ((-1.5 * t + 2.0) * t + 0.5) * t,
        (0.5 * t - 0.5) * t * t,
    )
    lagrange = (
        -(u - 1.0) * (u - 2.0) * (u - 3.0) / 6.0,
        u * (u - 2.0) * (u - 3.0) / 2.0,
        -u * (u - 1.0) * (u - 3.0) / 2.0,
        u * (u - 1.0) * (u - 2.0) / 6.0,
    )
    inner = (t >= 0.0) & (t <= 1.0)
    weights = np.where(inner[:, np.newaxis], np.stack(keys, axis=1), np.stack(lagrange, axis=1))
    return first, weights


def places(count: int) -> Array:
    """Centres of `count` pixels on a scale whose ends, -1 and 1, are the frame's edges."""
    return (2.0 * np.arange(count) + 1.0) / count - 1.0
