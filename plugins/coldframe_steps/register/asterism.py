"""Candidate alignments of two star lists from the shapes of star triangles.

Rotation, scale, shift and mirroring leave the ratios of a triangle's sides alone. Triangles of
like shape in both lists each propose an alignment; the true one is proposed again and again,
false ones scatter.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np
from scipy.spatial import cKDTree

from coldframe.frame import Array

SHAPE_TOLERANCE = 0.006  # in side ratios: half a pixel on a side of a hundred
NEIGHBOURS = 12  # most triangles of the other list that one triangle is compared with
LOG_SCALE_CELL = 0.03
ANGLE_CELL = math.radians(2.0)


@dataclass(frozen=True, slots=True)
class Pose:
    """own = a z + b for z = x + i y of the reference star, or of its mirror image x - i y.

    votes : pairs of triangles that agree on it.
    """

    a: complex
    b: complex
    mirrored: bool
    votes: int

    @property
    def matrix(self) -> Array:
        """float64 (3, 3), reference to own."""
        s = -1.0 if self.mirrored else 1.0
        return np.array(
            [
                [self.a.real, -s * self.a.imag, self.b.real],
                [self.a.imag, s * self.a.real, self.b.imag],
                [0.0, 0.0, 1.0],
            ]
        )


@dataclass(frozen=True, slots=True)
class Triangles:
    """corners : int (n, 3) rows of the star list, opposite the longest, middle, shortest side.

    shape : float64 (n, 2), middle and shortest side over the longest. turn : +1 or -1 by the
    sense in which the corners run.
    """

    corners: Array
    shape: Array
    turn: Array


@lru_cache(maxsize=8)
def all_triples(count: int) -> Array:
    """int (n, 3), read-only: every three of `count` stars."""
    out = np.array(list(combinations(range(count), 3)), dtype=np.int64).reshape(-1, 3)
    out.flags.writeable = False
    return out


def near_triples(xy: Array, neighbours: int) -> Array:
    """int (n, 3): every star with every two of its nearest neighbours, each triple once."""
    k = min(neighbours + 1, len(xy))
    near = np.asarray(cKDTree(xy).query(xy, k=k)[1])
    pairs = np.array(list(combinations(range(1, k), 2)), dtype=np.int64).reshape(-1, 2)
    triples = np.empty((len(xy), len(pairs), 3), np.int64)
    triples[:, :, 0] = near[:, :1]
    triples[:, :, 1:] = near[:, pairs]
    return np.unique(np.sort(triples.reshape(-1, 3), axis=1), axis=0)


def triangles(xy: Array, triples: Array, smallest: float) -> Triangles:
    """Shapes of triangles whose longest side is at least `smallest` px.

    The two ratios of the sides are the invariants of Valdes, Campusano, Velasquez & Stetson 1995,
    PASP 107, 1119, after Groth 1986, AJ 91, 1244.
    """
    z = xy[:, 0] + 1j * xy[:, 1]
    corner = z[triples]
    sides = np.abs(corner[:, [1, 2, 0]] - corner[:, [2, 0, 1]])
    order = np.argsort(-sides, axis=1, kind="stable")
    sides = np.take_along_axis(sides, order, axis=1)
    # Needles fix neither scale nor angle, and their corners are easily confused.
    keep = (sides[:, 0] >= smallest) & (sides[:, 2] > 0.05 * sides[:, 0])
    corners = np.take_along_axis(triples, order, axis=1)[keep]
    sides, corner = sides[keep], z[corners]
    first, second = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    turn = np.sign((np.conj(first) * second).imag)
    return Triangles(corners, sides[:, 1:] / sides[:, :1], turn)


def poses(own: Array, ref: Array, own_set: Triangles, ref_set: Triangles) -> Iterator[Pose]:
    """Alignments that pairs of like triangles agree on, the best supported first.

    Each pair of triangles gives a least-squares similarity; similarities are counted in cells of
    log scale, angle and the image of the field's centre (pose clustering: Stockman 1987, CVGIP
    40, 361).

    own, ref : float64 (n, 2) star positions, px.
    """
    if len(own_set.shape) == 0 or len(ref_set.shape) == 0:
        return
    tree = cKDTree(own_set.shape)
    k = min(NEIGHBOURS, len(own_set.shape))
    _, near = tree.query(ref_set.shape, k=k, distance_upper_bound=SHAPE_TOLERANCE)
    near = np.asarray(near).reshape(len(ref_set.shape), k)
    r, column = np.nonzero(near < len(own_set.shape))
    o = near[r, column]
    mirrored = own_set.turn[o] != ref_set.turn[r]
    centre = ref.mean(axis=0)
    z = (ref[:, 0] - centre[0]) + 1j * (ref[:, 1] - centre[1])
    p = z[ref_set.corners[r]]
    p = np.where(mirrored[:, None], np.conj(p), p)
    q = (own[:, 0] + 1j * own[:, 1])[own_set.corners[o]]
    p0, q0 = p.mean(axis=1), q.mean(axis=1)
    dp, dq = p - p0[:, None], q - q0[:, None]
    a = (np.conj(dp) * dq).sum(axis=1) / (np.abs(dp) ** 2).sum(axis=1)
    b = q0 - a * p0
    size = max(float(np.ptp(own, axis=0).max()), 1.0)
    cell = max(0.02 * size, 3.0)
    space = np.column_stack(
        [np.log(np.abs(a)) / LOG_SCALE_CELL, np.angle(a) / ANGLE_CELL, b.real / cell, b.imag / cell]
    )
    # b is where the field's centre goes; as a map of pixels it starts at pixel (0, 0).
    shift = complex(centre[0], centre[1])
    for a0, b0, flip, votes in _clusters(a, b, mirrored, space):
        origin = b0 - a0 * (shift.conjugate() if flip else shift)
        yield Pose(a0, origin, flip, votes)


def _clusters(
    a: Array, b: Array, mirrored: Array, space: Array
) -> Iterator[tuple[complex, complex, bool, int]]:
    """Medians of the fullest cells and what lies within a cell's width of them."""
    turn = round(2.0 * math.pi / ANGLE_CELL)
    left = np.ones(len(a), bool)
    while left.any():
        rows = np.flatnonzero(left)
        seed, count = -1, 0
        # Two grids, half a cell apart, so that no cluster is cut in both.
        for offset in (0.0, 0.5):
            cells = np.floor(space[rows] + offset).astype(np.int64)
            cells[:, 1] %= turn
            key = ((cells[:, 0] * 1009 + cells[:, 1]) * 100003 + cells[:, 2]) * 100003 + cells[:, 3]
            key = key * 2 + mirrored[rows]
            _, first, counts = np.unique(key, return_index=True, return_counts=True)
            top = int(np.argmax(counts))
            if counts[top] > count:
                seed, count = int(rows[first[top]]), int(counts[top])
        if count < 2:
            return
        delta = np.abs(space[rows] - space[seed])
        delta[:, 1] = np.minimum(delta[:, 1], turn - delta[:, 1])
        near = rows[(delta <= 1.0).all(axis=1) & (mirrored[rows] == mirrored[seed])]
        a0 = complex(np.median(a[near].real), np.median(a[near].imag))
        b0 = complex(np.median(b[near].real), np.median(b[near].imag))
        yield a0, b0, bool(mirrored[seed]), len(near)
        left[near] = False
