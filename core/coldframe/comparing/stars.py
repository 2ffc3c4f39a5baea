"""Stars that two stacks have in common: where, how bright, how wide."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from coldframe.errors import UsageError
from coldframe.evidence.stars import centres, find_stars
from coldframe.frame import Array, Frame

HALF = 15
"""px, half of the window that a star is measured in, less the one at its middle."""

APERTURE = 10.0  # px, radius that a star's light is added up in
TURN = 0.25  # degrees from one trial of the rotation to the next
CELL = 12.0  # px, side of the cells that shifts are counted in
VOTERS = 60  # brightest stars that vote
NEAR = 2.0  # px within which stars are the same
FEWEST = 5  # stars that show that two stacks see the same field
TO_FWHM = 2.3548200450309493  # sqrt(8 ln 2)


@dataclass(frozen=True, slots=True)
class Shared:
    """Stars in both stacks.

    first, second : float64 (n, 2), y and x in each. matrix (2, 2), shift (2,): a place in the first
    to that in the second, matrix @ place + shift.
    """

    first: Array
    second: Array
    matrix: Array
    shift: Array

    @property
    def same_grid(self) -> bool:
        """Whether one star has the same pixels in both."""
        moved = self.first @ self.matrix.T + self.shift - self.first
        return bool(np.abs(moved).max() < 0.1)


def share_stars(first: Frame, second: Frame) -> Shared:
    """Find the stars of both and match them, whatever shift and rotation lies between.

    Raises UsageError when fewer than `FEWEST` are in both.

    Notes
    -----
    For each rotation the differences of place of the brightest stars vote for a shift (Ballard
    1981, Pattern Recognition 13, 111); the cell with most votes gives pairs, and an affine map by
    least squares through them is made anew until it keeps the same pairs.
    """
    places = [centres(frame, find_stars(frame)) for frame in (first, second)]
    one, two = (p[np.isfinite(p).all(axis=1)] for p in places)
    if min(len(one), len(two)) >= FEWEST:
        matrix, shift = np.eye(2), np.zeros(2)
        tree = cKDTree(two)
        pairs = _pairs(one, tree, matrix, shift, NEAR)
        if len(pairs) < max(FEWEST, 0.3 * min(len(one), len(two))):
            matrix, shift = _vote(one[:VOTERS], two[:VOTERS])
            pairs = _pairs(one, tree, matrix, shift, CELL)
        for _ in range(10):
            if len(pairs) < FEWEST:
                break
            matrix, shift = _affine(one[pairs[:, 0]], two[pairs[:, 1]])
            now = _pairs(one, tree, matrix, shift, NEAR)
            if np.array_equal(now, pairs):
                break
            pairs = now
        if len(pairs) >= FEWEST:
            return Shared(one[pairs[:, 0]], two[pairs[:, 1]], matrix, shift)
    raise UsageError(
        f"the two stacks have no stars in common ({len(one)} bright ones in the first, {len(two)} "
        "in the second); are they of the same field?"
    )


def _pairs(one: Array, tree: cKDTree, matrix: Array, shift: Array, reach: float) -> Array:
    """Places of the same star in each list, (n, 2); a star of the second list is taken once."""
    found = tree.query(one @ matrix.T + shift, distance_upper_bound=reach)
    distance, place = (np.asarray(part) for part in found)
    order = np.argsort(distance, kind="stable")
    order = order[np.isfinite(distance[order])]
    _, once = np.unique(place[order], return_index=True)
    mine: Array = np.sort(order[once])
    return np.stack([mine, place[mine]], axis=1)


def _vote(one: Array, two: Array) -> tuple[Array, Array]:
    best, found = 0, (np.eye(2), np.zeros(2))
    for angle in np.deg2rad(np.arange(0.0, 360.0, TURN)):
        c, s = np.cos(angle), np.sin(angle)
        matrix = np.array([[c, -s], [s, c]])
        shifts = (two[:, None] - one @ matrix.T).reshape(-1, 2)
        # Two grids, half a cell apart, so that no shift lies at the edge of a cell in both.
        for start in (0.0, 0.5):
            cells = np.floor(shifts / CELL + start).astype(np.int64)
            names, counts = np.unique(cells[:, 0] * 1_000_003 + cells[:, 1], return_counts=True)
            most = int(counts.argmax())
            if counts[most] > best:
                inside = cells[:, 0] * 1_000_003 + cells[:, 1] == names[most]
                best, found = int(counts[most]), (matrix, shifts[inside].mean(axis=0))
    return found


def _affine(one: Array, two: Array) -> tuple[Array, Array]:
    design = np.hstack([one, np.ones((len(one), 1))])
    solution = np.linalg.lstsq(design, two, rcond=None)[0]
    return solution[:2].T, solution[2]


def corners(places: Array, shape: tuple[int, int]) -> tuple[Array, Array]:
    """Top left pixels (n, 2) of the windows about stars, and which of them lie inside, bool."""
    tops = np.rint(places).astype(int) - HALF
    ends = tops + 2 * HALF + 1
    return tops, np.all((tops >= 0) & (ends <= np.array(shape)), axis=1)


def measure(windows: Array) -> tuple[Array, Array]:
    """Light (ADU) and FWHM (px) of the star in the middle of each window; NaN where it has none.

    windows : float (n, 2 HALF + 1, 2 HALF + 1).

    Notes
    -----
    The sky is the median of the window's border. Light is the sum within `APERTURE` px. The
    width is that of the Gaussian weight that has the same centre and second moments as the star
    under it, found by repetition (adaptive moments: Bernstein and Jarvis 2002, AJ 123, 583):
    under a weight of the star's own size a Gaussian star's variance is halved.
    """
    values = np.asarray(windows, np.float64)
    border = np.concatenate(
        [values[:, 0], values[:, -1], values[:, 1:-1, 0], values[:, 1:-1, -1]], axis=1
    )
    values = values - np.median(border, axis=1)[:, None, None]
    step = np.arange(-HALF, HALF + 1.0)
    n = len(values)
    y, x, variance = np.zeros(n), np.zeros(n), np.full(n, 4.0)
    with np.errstate(all="ignore"):
        for _ in range(60):
            dy, dx = step - y[:, None], step - x[:, None]
            # One variable at a time: the weight is a product of one in y and one in x.
            wy = np.exp(-0.5 * dy**2 / variance[:, None])
            wx = np.exp(-0.5 * dx**2 / variance[:, None])
            rows = np.einsum("nyx,nx->ny", values, wx) * wy
            columns = np.einsum("nyx,ny->nx", values, wy) * wx
            total = rows.sum(axis=1)
            my, mx = (rows * dy).sum(axis=1) / total, (columns * dx).sum(axis=1) / total
            spread = ((rows * dy**2).sum(axis=1) + (columns * dx**2).sum(axis=1)) / (2 * total)
            y, x = y + 2 * my, x + 2 * mx
            now = np.clip(2 * spread, 0.1, HALF**2 / 4)
            still = np.nanmax(np.abs(now - variance) / variance, initial=0.0) < 1e-5
            variance = now
            if still:
                break
    radius = np.hypot(
        step[None, :, None] - y[:, None, None], step[None, None, :] - x[:, None, None]
    )
    # Pixels across the edge count by the part of their width inside.
    light = (values * np.clip(APERTURE + 0.5 - radius, 0, 1)).sum(axis=(1, 2))
    lost = ~((np.hypot(y, x) < 3) & (light > 0) & (variance < HALF**2 / 4) & (variance > 0.1))
    width = TO_FWHM * np.sqrt(variance)
    light[lost] = width[lost] = np.nan
    return light, width


def windows(frame: Frame, places: Array) -> Array:
    """Windows about stars, mean of the colours: float32 (n, 2 HALF + 1, 2 HALF + 1); NaN outside."""
    size = 2 * HALF + 1
    out = np.full((len(places), size, size), np.nan, np.float32)
    tops, inside = corners(places, frame.shape)
    for i in np.flatnonzero(inside):
        y, x = tops[i]
        out[i] = frame.channels[:, y : y + size, x : x + size].mean(axis=0)
    return out
