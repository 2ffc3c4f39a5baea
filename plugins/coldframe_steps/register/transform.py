"""Geometric maps from one frame's pixels to another's, and how each is fitted to point pairs."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from coldframe.frame import Array
from coldframe_steps.kernels.mapping import map_points, monomials

UNFIXED = "the stars do not fix the map; do they lie on a line?"


def _no_poly() -> Array:
    return np.zeros((2, 0))


def _unit_norm() -> Array:
    return np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, slots=True)
class Transform:
    """Maps output pixels (x, y) to input pixels (u, v); pixel centres are whole numbers.

    matrix : float64 (3, 3), homogeneous.
    poly : float64 (2, terms), px, added to (u, v): monomials 1, x, y, x^2, xy, y^2, ... of
        ((x - cx) / scale, (y - cy) / scale). norm : (cx, cy, scale), px.
    model : shift, rotation, similarity, affine, homography or polynomial-2, -3, -4.
    residual : root mean square distance of the matched stars from where the map puts them, px.
    matched : stars that the fit kept.
    """

    matrix: Array
    model: str
    poly: Array = field(default_factory=_no_poly)
    norm: Array = field(default_factory=_unit_norm)
    residual: float = 0.0
    matched: int = 0

    def apply(self, xy: Array) -> Array:
        """float64 (n, 2) output positions to (n, 2) input positions."""
        return map_points(self.matrix, self.poly, self.norm, xy)

    def jacobian(self, xy: Array) -> Array:
        """float64 (n, 2, 2): derivatives of (u, v) by (x, y) at each point, by differences."""
        xy = np.asarray(xy, np.float64).reshape(-1, 2)
        h = 0.5
        columns = [
            (self.apply(xy + step) - self.apply(xy - step)) / (2 * h)
            for step in (np.array([h, 0.0]), np.array([0.0, h]))
        ]
        return np.stack(columns, axis=2)


@dataclass(frozen=True, slots=True)
class Geometry:
    """A transform in a photographer's terms, at one point of the output frame.

    rotation : deg, from output to input, positive from the x axis to the y axis.
    scale : input pixels per output pixel. shift_x, shift_y : px, input less output position.
    mirrored : whether one frame is the mirror image of the other.
    """

    rotation: float
    scale: float
    shift_x: float
    shift_y: float
    mirrored: bool


def geometry(transform: Transform, point: tuple[float, float]) -> Geometry:
    """Rotation, scale and shift of a transform at a point (x, y) of the output frame.

    The rotation is that of the nearest similarity (polar decomposition of the Jacobian); of a
    mirrored pair it is what remains after x has been mirrored in the output frame's y axis.
    """
    at = np.array([point], np.float64)
    j = transform.jacobian(at)[0]
    det = float(np.linalg.det(j))
    sign = -1.0 if det < 0 else 1.0
    a = complex(sign * j[0, 0] + j[1, 1], sign * j[1, 0] - j[0, 1])
    shift = (transform.apply(at) - at)[0]
    return Geometry(
        rotation=float(np.degrees(np.angle(a))),
        scale=float(np.sqrt(abs(det))),
        shift_x=float(shift[0]),
        shift_y=float(shift[1]),
        mirrored=det < 0,
    )


def fit_shift(src: Array, dst: Array, weights: Array) -> Transform:
    """Shift alone: the weighted mean of the differences.

    src, dst : float64 (n, 2), n >= 1. weights : (n,).
    """
    shift = (weights[:, None] * (dst - src)).sum(axis=0) / weights.sum()
    return Transform(_affine_matrix(np.eye(2), shift), "shift")


def fit_rotation(src: Array, dst: Array, weights: Array) -> Transform:
    """Rotation and shift without scaling or mirroring; weighted least squares.

    src, dst : float64 (n, 2), n >= 2. weights : (n,). In the plane the best angle is that of the
    sum of conj(s) d over the centred points as complex numbers (Umeyama 1991, IEEE PAMI 13, 376,
    with scale and sign fixed to 1).

    Raises ValueError when the points of src or of dst coincide.
    """
    total = weights.sum()
    mu_s, mu_d = ((weights[:, None] * points).sum(axis=0) / total for points in (src, dst))
    s, d = ((points - mu) @ np.array([1.0, 1j]) for points, mu in ((src, mu_s), (dst, mu_d)))
    turn = complex((weights * np.conj(s) * d).sum())
    if not abs(turn) > 0.0:
        raise ValueError(UNFIXED)
    turn /= abs(turn)
    linear = np.array([[turn.real, -turn.imag], [turn.imag, turn.real]])
    return Transform(_affine_matrix(linear, mu_d - linear @ mu_s), "rotation")


def fit_similarity(src: Array, dst: Array, weights: Array) -> Transform:
    """Rotation, one scale and shift, mirrored when that fits better; weighted least squares.

    src, dst : float64 (n, 2), n >= 2. weights : (n,). Umeyama 1991, IEEE PAMI 13, 376, with the
    sign that he fixes to +1 left free: a frame may be mirrored.

    Raises ValueError when the points of src coincide.
    """
    total = weights.sum()
    mu_s, mu_d = ((weights[:, None] * points).sum(axis=0) / total for points in (src, dst))
    s, d = src - mu_s, dst - mu_d
    spread = float((weights[:, None] * s * s).sum() / total)
    if not spread > 0.0:
        raise ValueError(UNFIXED)
    covariance = np.einsum("ni,nj->ij", weights[:, None] * d, s) / total
    left, values, right = np.linalg.svd(covariance)
    # With two or more distinct singular values the better sign is the one that keeps all of
    # trace(D); a line of points leaves it open and is taken as not mirrored.
    sign = np.linalg.det(left) * np.linalg.det(right)
    if values[1] <= 1e-9 * values[0]:
        values = np.array([values[0], 0.0])
        right = np.diag([1.0, sign]) @ right
    scale = values.sum() / spread
    linear = scale * left @ right
    return Transform(_affine_matrix(linear, mu_d - linear @ mu_s), "similarity")


def fit_affine(src: Array, dst: Array, weights: Array) -> Transform:
    """Linear map and shift, weighted least squares.

    src, dst : float64 (n, 2), n >= 3.

    Raises ValueError when the points lie on a line.
    """
    norm = normalisation(src)
    solution = solve(monomials((src - norm[:2]) / norm[2], 1), dst, weights)
    linear = solution[1:].T / norm[2]
    return Transform(_affine_matrix(linear, solution[0] - linear @ norm[:2]), "affine")


def fit_homography(src: Array, dst: Array, weights: Array) -> Transform:
    """Projective map: normalised direct linear transform, then least squares in the image.

    src, dst : float64 (n, 2), n >= 4. Hartley & Zisserman 2004, Multiple View Geometry, 2nd ed.,
    algorithms 4.2 (normalised DLT) and 4.3 with the one-image error, minimised by Gauss-Newton.

    Raises ValueError when the points do not fix a projective map.
    """
    ns, nd = _isotropic(src), _isotropic(dst)
    s, d = _transfer(ns, src), _transfer(nd, dst)
    one, zero = np.ones((len(s), 1)), np.zeros((len(s), 3))
    p = np.hstack([s, one])
    rows = np.vstack([np.hstack([p, zero, -d[:, :1] * p]), np.hstack([zero, p, -d[:, 1:] * p])]).T
    normal = np.einsum("pn,qn->pq", rows * np.tile(weights / weights.max(), 2), rows)
    # The right singular vector of the least singular value of the rows.
    matrix = np.linalg.eigh(normal)[1][:, 0].reshape(3, 3)
    for _ in range(20):
        if abs(matrix[2, 2]) < 1e-9:
            raise ValueError(UNFIXED)
        matrix = matrix / matrix[2, 2]
        jacobian, predicted = homography_jacobian(matrix, s)
        step = solve(jacobian, (d - predicted).reshape(-1, 1), np.repeat(weights, 2))[:, 0]
        matrix = matrix + np.append(step, 0.0).reshape(3, 3)
        if np.abs(step).max() < 1e-10:
            break
    full = np.linalg.inv(nd) @ matrix @ ns
    if not np.isfinite(full).all() or abs(full[2, 2]) < 1e-12 * np.abs(full).max():
        raise ValueError(UNFIXED)
    return Transform(full / full[2, 2], "homography")


def homography_jacobian(matrix: Array, points: Array) -> tuple[Array, Array]:
    """Derivatives of the mapped points by the first eight entries of a homography.

    Returns float64 (2 n, 8), rows u and v of each point in turn, and the mapped points (n, 2).
    """
    p = np.hstack([points, np.ones((len(points), 1))])
    w = p @ matrix[2]
    mapped = (p @ matrix[:2].T) / w[:, None]
    jacobian = np.zeros((len(points), 2, 8))
    jacobian[:, 0, :3] = jacobian[:, 1, 3:6] = p / w[:, None]
    jacobian[:, :, 6:] = -mapped[:, :, None] * points[:, None, :] / w[:, None, None]
    return jacobian.reshape(-1, 8), mapped


def fit_polynomial(src: Array, dst: Array, weights: Array, order: int) -> Transform:
    """An affine map plus a polynomial of total degree `order` for lens distortion.

    src, dst : float64 (n, 2), n >= (order + 1)(order + 2) / 2. Linear weighted least squares in
    centred, scaled coordinates.

    Raises ValueError when the points do not fix the polynomial.
    """
    base = fit_affine(src, dst, weights)
    norm = normalisation(src)
    design = monomials((src - norm[:2]) / norm[2], order)
    solution = solve(design, dst - base.apply(src), weights)
    poly = np.ascontiguousarray(solution.T)
    return Transform(base.matrix, f"polynomial-{order}", poly=poly, norm=norm)


def solve(design: Array, target: Array, weights: Array) -> Array:
    """Weighted linear least squares: design (n, p), target (n, k) to coefficients (p, k).

    Normal equations of columns of unit length, with one step of iterative refinement: with the
    centred, scaled coordinates used here that is as good as an orthogonal factorisation. All sums
    over stars are numpy's own, so that no thread count of a linear-algebra library can change the
    result's last bits.

    Raises ValueError when the columns of the design are not independent.
    """
    lower, size = factor(design, weights)
    unit = (design / size).T
    weighted = unit * weights
    solution = np.zeros((design.shape[1], target.shape[1]))
    for _ in range(2):
        rest = target.T - np.einsum("pk,pn->kn", solution, unit)
        right = np.einsum("pn,kn->pk", weighted, rest)
        solution = solution + np.linalg.solve(lower.T, np.linalg.solve(lower, right))
    return solution / size[:, None]


def factor(design: Array, weights: Array) -> tuple[Array, Array]:
    """Cholesky factor (p, p) of the normal matrix of the design's columns, and their lengths (p,).

    Raises ValueError when the columns are not independent.
    """
    size = np.sqrt(np.einsum("np,np,n->p", design, design, weights))
    if not (size > 0.0).all():
        raise ValueError(UNFIXED)
    unit = (design / size).T
    try:
        lower = np.linalg.cholesky(np.einsum("pn,qn->pq", unit * weights, unit))
    except np.linalg.LinAlgError:
        raise ValueError(UNFIXED) from None
    if not np.diag(lower).min() > 1e-6:
        raise ValueError(UNFIXED)
    return lower, size


def normalisation(src: Array) -> Array:
    """(cx, cy, scale) that bring points into about -1..1: mid-range and half the larger range."""
    low, high = src.min(axis=0), src.max(axis=0)
    scale = max(float((high - low).max()) / 2.0, 1.0)
    return np.array([*(low + high) / 2.0, scale])


def _affine_matrix(linear: Array, shift: Array) -> Array:
    matrix = np.eye(3)
    matrix[:2, :2], matrix[:2, 2] = linear, shift
    return matrix


def _isotropic(points: Array) -> Array:
    """The matrix that puts the centroid at 0 and the mean distance from it at sqrt(2)."""
    centre = points.mean(axis=0)
    distance = float(np.hypot(*(points - centre).T).mean())
    k = np.sqrt(2.0) / distance if distance > 0 else 1.0
    return np.array([[k, 0.0, -k * centre[0]], [0.0, k, -k * centre[1]], [0.0, 0.0, 1.0]])


def _transfer(matrix: Array, points: Array) -> Array:
    return points * matrix[0, 0] + matrix[:2, 2]
