"""Matching of fields of a few stars, where triangles prove nothing: by motions without scaling."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import bdtrc

from coldframe.frame import Array
from coldframe_steps.register.transform import Transform, fit_similarity

LEAST = 3  # stars
MOST = 30  # brightest stars of each list that propose motions
SCALE = 0.001  # focus, refraction and warmth change the scale by less within a night
SLIP = 1.0  # px that a distance between two stars may be off besides
REACH, CLOSE = 4.0, 1.5  # px within which stars pair at first, and in the end
TURN = 2.0  # deg about 0 and 180: a tracked field, before and after a meridian flip
TRIES = 20
MAX_CHANCE = 1e-6


@dataclass(frozen=True, slots=True)
class FewMatch:
    """Rows (own, reference), int (n, 2); ln of the expected number of accidents; the motion."""

    pairs: Array
    chance: float
    transform: Transform


def match_few(own: Array, ref: Array, area: float) -> FewMatch | None:
    """Match two short lists of stars by rotation and shift; None when that is not beyond chance.

    Every two stars as far apart in both lists propose a motion, and it is believed only when the
    expected number of motions of unrelated fields that would pair as many is below 1e-6: the
    number of proposals there can be, times the share of them whose lengths agree by accident (and
    whose angle lies within 2 deg of 0 or 180, where it does), times the binomial tail of the
    further pairs. Besides, at least half of the brightest stars of either list that the other
    frame shows must be paired, so that a few leftover blemishes never stand for the sky.

    own, ref : float64 (n, 2), (m, 2), px, brightest first. area : of the own frame, px^2.
    """
    o, r = own[:MOST], ref[:MOST]
    if min(len(o), len(r)) < LEAST:
        return None
    best: FewMatch | None = None
    for a, b in _motions(o, r):
        found = _believed(own, ref, a, b, area)
        if found is not None and (best is None or found.chance < best.chance):
            best = found
    return best


def _motions(own: Array, ref: Array) -> list[tuple[complex, complex]]:
    """(a, b) of own = a z + b, |a| = 1: those that bring the most stars near others come first."""
    zo, zr = (p[:, 0] + 1j * p[:, 1] for p in (own, ref))
    (i, j), (k, m) = (np.triu_indices(len(z), 1) for z in (zo, zr))
    lo, lr = np.abs(zo[j] - zo[i]), np.abs(zr[m] - zr[k])
    alike = np.abs(lo[:, None] - lr[None]) < _slip(np.minimum(lo[:, None], lr[None]))
    alike &= np.minimum(lo[:, None], lr[None]) > 10.0 * REACH
    p, q = np.nonzero(alike)
    k, m = np.concatenate([k[q], m[q]]), np.concatenate([m[q], k[q]])
    i, j = np.tile(i[p], 2), np.tile(j[p], 2)
    if len(i) == 0:
        return []
    a = (zo[j] - zo[i]) / (zr[m] - zr[k])
    a = a / np.abs(a)
    b = 0.5 * (zo[i] + zo[j] - a * (zr[k] + zr[m]))
    hits = np.empty(len(a))
    for at in range(0, len(a), 2000):
        some = slice(at, at + 2000)
        moved = a[some, None] * zr + b[some, None]
        near = np.abs(moved[:, :, None] - zo).min(axis=2)
        hits[some] = np.maximum(1.0 - (near / REACH) ** 2, 0.0).sum(axis=1)
    order = np.argsort(-hits, kind="stable")[:TRIES]
    return [(complex(a[n]), complex(b[n])) for n in order]


def _believed(own: Array, ref: Array, a: complex, b: complex, area: float) -> FewMatch | None:
    """The motion refined, with its pairs; None unless it is beyond chance."""
    tree = cKDTree(own)
    transform = Transform(
        np.array([[a.real, -a.imag, b.real], [a.imag, a.real, b.imag], [0, 0, 1.0]]), "rotation"
    )
    pairs = np.zeros((0, 2), np.int64)
    for reach in (REACH, REACH, CLOSE, CLOSE):
        pairs = _pair(tree, transform.apply(ref), reach)
        if len(pairs) < LEAST:
            return None
        try:
            transform = fit_similarity(ref[pairs[:, 1]], own[pairs[:, 0]], np.ones(len(pairs)))
        except ValueError:
            return None
    linear = transform.matrix[:2, :2]
    scale = math.sqrt(abs(float(np.linalg.det(linear))))
    if np.linalg.det(linear) < 0.0 or abs(scale - 1.0) > 2.0 * SCALE:
        return None
    if not _brightest_agree(own, ref, pairs, transform, area):
        return None
    predicted = transform.apply(ref)
    predicted = predicted[_inside(predicted, own, area)]
    by_chance = max(len(own) * math.pi * CLOSE**2 / area, _displaced(tree, predicted))
    counts = len(own), len(ref), len(predicted), len(pairs)
    chance = _log_chance(*counts, min(by_chance, 0.999), _angle(linear), math.sqrt(area))
    return FewMatch(pairs, chance, transform) if chance < math.log(MAX_CHANCE) else None


def _pair(tree: cKDTree, predicted: Array, radius: float) -> Array:
    """int (k, 2): rows (own, reference), each the other's nearest within `radius` px."""
    distance, near = (np.asarray(v) for v in tree.query(predicted, distance_upper_bound=radius))
    back = np.asarray(cKDTree(predicted).query(tree.data)[1])
    rows = np.flatnonzero(np.isfinite(distance))
    rows = rows[back[near[rows]] == rows]
    return np.column_stack([near[rows], rows]).astype(np.int64)


def _inside(points: Array, own: Array, area: float) -> Array:
    """bool (n,): points that the own frame may show; of its size only the area is known here."""
    low, high = own.min(axis=0), own.max(axis=0)
    room = np.maximum(0.5 * (math.sqrt(area) - (high - low)), 0.0)
    return np.asarray(((points >= low - room) & (points <= high + room)).all(axis=1))


def _brightest_agree(
    own: Array, ref: Array, pairs: Array, transform: Transform, area: float
) -> bool:
    back = Transform(np.linalg.inv(transform.matrix), "similarity")
    count = min(len(own), len(ref))
    for points, there, rows, move in (
        (own, ref, pairs[:, 0], back), (ref, own, pairs[:, 1], transform),
    ):  # fmt: skip
        shown = np.flatnonzero(_inside(move.apply(points), there, area))[:count]
        if 2 * np.isin(shown, rows).sum() < len(shown):
            return False
    return True


def _displaced(tree: cKDTree, points: Array) -> float:
    """How often a point beside the right place finds a star within CLOSE px: clusters do so often."""
    ways = np.exp(2j * np.pi * np.arange(8) / 8) * CLOSE * (4.0 + np.arange(8) % 3)
    beside = (points[:, None] + np.column_stack([ways.real, ways.imag])).reshape(-1, 2)
    distance = tree.query(beside, distance_upper_bound=CLOSE)[0]
    return float(np.isfinite(distance).mean()) if len(beside) else 0.0


def _log_chance(
    own: int, ref: int, shown: int, pairs: int, p: float, angle: float, side: float
) -> float:
    """ln of how many motions of unrelated fields pair as many stars, at most.

    own, ref : stars; shown : of the reference's within the frame; p : chance that one pairs.
    """
    n, m = min(own, MOST), min(ref, MOST)
    # No length between random places in a square is likelier than 1.5 / side (its maximum, 1.4789).
    length = min(2.0 * float(_slip(side)) * 1.5 / side, 1.0)
    off = abs((angle + 90.0) % 180.0 - 90.0)
    window = 4.0 * TURN / 180.0 if off <= TURN else 1.0
    trials = math.log(n * (n - 1) * m * (m - 1) / 2.0 * length * window)
    tail = float(bdtrc(min(pairs, shown) - 3, max(shown, pairs) - 2, p))
    return trials + (math.log(tail) if tail > 0.0 else -math.inf)


def _angle(linear: Array) -> float:
    return math.degrees(math.atan2(linear[1, 0] - linear[0, 1], linear[0, 0] + linear[1, 1]))


def _slip(length: Array | float) -> Array | float:
    return SLIP + SCALE * length
