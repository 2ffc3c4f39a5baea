"""Where an output pixel comes from: projective map plus a polynomial, in double precision."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from coldframe.frame import Array
from coldframe.loops import BARE
from coldframe_steps.kernels.simd import WIDE, f64, load, ramp, store

MAX_ORDER = 5


def term_count(order: int) -> int:
    """Number of monomials of two variables with total degree 0..order."""
    return (order + 1) * (order + 2) // 2


def order_of(terms: int) -> int:
    """The order of a polynomial that has this many terms; -1 for no terms.

    Raises ValueError when no order from 0 to 5 has that many.
    """
    for order in range(-1, MAX_ORDER + 1):
        if term_count(order) == terms:
            return order
    raise ValueError(f"a polynomial of order 0 to {MAX_ORDER} cannot have {terms} terms")


def exponents(order: int) -> list[tuple[int, int]]:
    """(power of x, power of y) of each term: 1, x, y, x^2, xy, y^2, x^3, ..."""
    return [(total - j, j) for total in range(order + 1) for j in range(total + 1)]


def monomials(xy: Array, order: int) -> NDArray[np.float64]:
    """Values of every term at each point.

    Parameters
    ----------
    xy : float64 (n, 2), already centred and scaled.
    order : total degree, 0..5 (-1: no terms).

    Returns
    -------
    float64 (n, terms), in the order of `exponents`.
    """
    xy = np.asarray(xy, dtype=np.float64)
    x, y = np.ascontiguousarray(xy.T)
    out = np.ones((term_count(order), len(xy)))
    for k, (i, j) in enumerate(exponents(order)):
        # Of the terms one order lower, which are all there, x times the one or y times the last.
        if i > 0:
            np.multiply(x, out[k - i - j], out=out[k])
        elif j > 0:
            np.multiply(y, out[k - j - 1], out=out[k])
    return out.T


def map_points(matrix: Array, poly: Array, norm: Array, xy: Array) -> NDArray[np.float64]:
    """Map output pixel positions to input pixel positions.

    Parameters
    ----------
    matrix : float64 (3, 3), homogeneous; (u, v, w) = matrix (x, y, 1), divided by w.
    poly : float64 (2, terms), added to u (row 0) and v (row 1), in pixels; (2, 0) for none.
        Its variables are ((x - cx) / scale, (y - cy) / scale).
    norm : float64 (3,) = (cx, cy, scale), pixels.
    xy : float64 (n, 2); x is the column, y the row; pixel centres are whole numbers.

    Returns
    -------
    float64 (n, 2) of (u, v): column and row in the input.
    """
    xy = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    homogeneous = np.column_stack([xy, np.ones(len(xy))]) @ np.asarray(matrix, np.float64).T
    uv: NDArray[np.float64] = homogeneous[:, :2] / homogeneous[:, 2:]
    poly = np.asarray(poly, dtype=np.float64)
    order = order_of(poly.shape[1])
    if order >= 0:
        cx, cy, scale = norm
        uv = uv + monomials((xy - (cx, cy)) / scale, order) @ poly.T
    return uv


def dense_poly(poly: Array) -> NDArray[np.float64]:
    """The polynomial as float64 (2, n, n): entry [k, i, j] belongs to x^i y^j; n may be 0."""
    poly = np.asarray(poly, dtype=np.float64)
    if poly.ndim != 2 or poly.shape[0] != 2:
        raise ValueError(f"the polynomial must have shape (2, terms), not {poly.shape}")
    order = order_of(poly.shape[1])
    dense = np.zeros((2, order + 1, order + 1))
    for k, (i, j) in enumerate(exponents(order)):
        dense[:, i, j] = poly[:, k]
    return dense


@njit(**BARE, error_model="numpy")
def _polynomial(dense, norm, y, x0, u, v):  # type: ignore[no-untyped-def]
    """Fill u and v with the polynomials' values along a row."""
    u[:] = 0.0
    v[:] = 0.0
    n = dense.shape[1]
    cx, shrink = norm[0], 1.0 / norm[2]
    yy = (y - norm[1]) * shrink
    for k in range(n - 1, -1, -1):
        # On one row the polynomial is one of x alone: collapse the powers of y first.
        du, dv = 0.0, 0.0
        for j in range(n - 1 - k, -1, -1):
            du = du * yy + dense[0, k, j]
            dv = dv * yy + dense[1, k, j]
        for i in range(0, u.size, WIDE):
            xx = (ramp() + f64(np.float64(x0 + i)) - f64(cx)) * f64(shrink)
            store(u, i, load(u, i) * xx + f64(du))
            store(v, i, load(v, i) * xx + f64(dv))


@njit(**BARE, error_model="numpy")
def map_row(matrix, dense, norm, y, x0, u, v):  # type: ignore[no-untyped-def]
    """Fill u and v with the input positions of pixels x0.. of output row y.

    u, v : float64 (n,), n a multiple of WIDE.

    Each pixel is computed by itself from x (nothing accumulates along the row), so that the
    result is the same wherever the row is cut.
    """
    a, b = matrix[0, 0], matrix[0, 1] * y + matrix[0, 2]
    c, d = matrix[1, 0], matrix[1, 1] * y + matrix[1, 2]
    e, f = matrix[2, 0], matrix[2, 1] * y + matrix[2, 2]
    plain = dense.shape[1] == 0
    if not plain:
        _polynomial(dense, norm, y, x0, u, v)
    flat = e == 0.0 and f == 1.0  # nothing to divide by
    for i in range(0, u.size, WIDE):
        x = ramp() + f64(np.float64(x0 + i))
        across, down = f64(a) * x + f64(b), f64(c) * x + f64(d)
        if not flat:
            w = f64(e) * x + f64(f)
            across, down = across / w, down / w
        if not plain:
            across, down = load(u, i) + across, load(v, i) + down
        store(u, i, across)
        store(v, i, down)


@njit(cache=True, nogil=True, error_model="numpy")
def row_span(matrix, dense, norm, nx, y0, y1):  # type: ignore[no-untyped-def]
    """Least and greatest input row v over the output rows y0..y1-1 (inf, -inf when none)."""
    room = -(-nx // WIDE) * WIDE
    u, v = np.empty(room), np.empty(room)
    low, high = np.inf, -np.inf
    for y in range(y0, y1):
        map_row(matrix, dense, norm, y, np.int64(0), u, v)
        for x in range(nx):
            if v[x] < low:
                low = v[x]
            if v[x] > high:
                high = v[x]
    return low, high
