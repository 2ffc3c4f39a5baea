"""Which star of one frame is which star of another, or proof that the fields are not the same."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import bdtrc

from coldframe.frame import Array
from coldframe_steps.register.asterism import (
    Pose,
    Triangles,
    all_triples,
    near_triples,
    poses,
    triangles,
)
from coldframe_steps.register.choose import MODELS, Model, clip
from coldframe_steps.register.sparse import match_few
from coldframe_steps.register.transform import Transform

MAX_CHANCE = 1e-6
"""Expected number of alignments as good as this one among unrelated fields, at most."""

TIERS = ((40, 0), (100, 10), (300, 9), (1000, 7))
"""Brightest stars to use, and neighbours that form triangles with each (0: all with all)."""

BRIGHT = 2000  # stars that an alignment is grown with, before it is applied to all
TRIES = 10  # alignments looked at in each tier
SPARSE = 40  # stars up to which a field may be too poor for triangles
STILL = 0.5  # px; what moves by less may be the sensor's own pattern
PINNED = 0.1  # px; what moves by more, all together, is not
FAR = 2.0  # px; farther than faint stars scatter
FEW = 5  # a sky that moves by less than FAR shows a fifth as many stars as there is pattern


class NoMatch(Exception):  # noqa: N818 - an outcome, not a fault
    """No alignment of the two lists is beyond chance. The message says so in numbers."""


@dataclass(frozen=True, slots=True)
class Match:
    """Pairs of rows (own, reference): int (n, 2), and how sure they are.

    log10_chance : logarithm of the expected number of alignments of unrelated fields that would
        pair as many stars. transform : reference to own positions, flexible, for finding pairs.
    """

    pairs: Array
    log10_chance: float
    transform: Transform


def match_stars(own: Array, ref: Array, shape: tuple[int, int] | None = None) -> Match:
    """Match two star lists, whatever the rotation, scale, shift or mirroring between them.

    Triangles of bright stars propose alignments (`asterism`). Each is grown over the field with
    ever more flexible maps, and believed only when the number of stars it pairs is beyond chance:
    the binomial tail, times the number of alignments that could have been tried, must be below
    1e-6. The chance that a star finds a neighbour by accident is measured on the lists themselves,
    with the prediction displaced by a few radii, so clusters do not fool it (the idea of testing
    an alignment against a background of unrelated stars: Lang et al. 2010, AJ 139, 1782).

    Fields of so few stars that no triangle is beyond chance are matched by rotation and shift alone
    (`sparse`), three stars at least.

    Hot pixels in both lists line up without any motion. So what has not moved is first left out:
    an alignment of the rest that is beyond chance, and does move the stars, is the sky's. Only
    when there is none are the lists matched whole.

    Parameters
    ----------
    own, ref : float64 (n, 2), (m, 2) positions x, y in px, brightest first.
    shape : (y, x) of the own frame, px; when it is not given, the box around its stars stands in.

    Raises NoMatch when no alignment is beyond chance.
    """
    fixed = _pair(cKDTree(own), ref, STILL) if min(len(own), len(ref)) else np.zeros((0, 2), int)
    if len(fixed) >= 3 and _pinned(own[fixed[:, 0]] - ref[fixed[:, 1]]):
        own_rows = np.setdiff1d(np.arange(len(own)), fixed[:, 0])
        ref_rows = np.setdiff1d(np.arange(len(ref)), fixed[:, 1])
        own_rest, ref_rest = own[own_rows], ref[ref_rows]
        found = _search(own_rest, ref_rest, TIERS[:2], shape)
        if found is not None and _moves(found, ref_rest, len(fixed)):
            pairs = np.column_stack([own_rows[found.pairs[:, 0]], ref_rows[found.pairs[:, 1]]])
            return replace(found, pairs=pairs)
    found = _search(own, ref, TIERS, shape)
    if found is None:
        raise NoMatch(
            f"none of the alignments of its {len(own)} stars with the reference's {len(ref)} "
            "is beyond chance"
        )
    return found


def _pinned(shifts: Array) -> bool:
    """Whether what stayed within STILL did not move at all, as no field does that was dithered.

    shifts : float64 (n, 2), px.
    """
    return float(np.hypot(*np.median(shifts, axis=0))) < PINNED


def _moves(match: Match, ref: Array, fixed: int) -> bool:
    """Whether a match of what is left moves the stars, and not just the faint ones that scatter.

    fixed : how many stayed. Of a field that hardly moved, the few stars that are left are those
    whose places are known worst.
    """
    at = ref[match.pairs[:, 1]]
    motion = float(np.median(np.hypot(*(match.transform.apply(at) - at).T)))
    return motion > FAR or (motion > STILL and FEW * len(match.pairs) >= fixed)


def _search(
    own: Array,
    ref: Array,
    tiers: tuple[tuple[int, int], ...],
    shape: tuple[int, int] | None,
) -> Match | None:
    if min(len(own), len(ref)) >= MODELS[0].stars:
        tree = cKDTree(own)
        for pose, trials in _proposals(own, ref, tiers):
            match = _grow(own, ref, tree, pose, trials)
            if match is not None:
                return match
    if not 3 <= min(len(own), len(ref)) <= SPARSE:
        return None
    area = float(np.prod(shape or np.maximum(np.ptp(own, axis=0), 1.0)))
    few = match_few(own, ref, area)
    return None if few is None else Match(few.pairs, few.chance / math.log(10.0), few.transform)


def _proposals(
    own: Array, ref: Array, tiers: tuple[tuple[int, int], ...]
) -> Iterator[tuple[Pose, float]]:
    """Alignments worth growing, with the natural logarithm of how many could be tried."""
    used = 0
    for count, neighbours in tiers:
        if used >= max(len(own), len(ref)):
            return  # a tier that adds no stars adds no alignments
        used = count
        o, r = own[:count], ref[:count]
        proposals = poses(o, r, _triangles(o, neighbours), _triangles(r, neighbours))
        # An alignment is fixed by two stars of each list, in either sense.
        trials = math.log(2.0) + sum(math.log(max(n * (n - 1), 2)) for n in (len(o), len(r)))
        for _, pose in zip(range(TRIES), proposals, strict=False):
            yield pose, trials


def _triangles(xy: Array, neighbours: int) -> Triangles:
    triples = near_triples(xy, neighbours) if neighbours else all_triples(len(xy))
    size = float(np.ptp(xy, axis=0).max())
    return triangles(xy, triples, max(0.01 * size, 5.0))


def _pair(tree: cKDTree, predicted: Array, radius: float) -> Array:
    """int (k, 2): rows (own, reference) within `radius` px of each other, each star once."""
    query = tree.query(predicted, distance_upper_bound=radius)
    distance, near = np.asarray(query[0]), np.asarray(query[1])
    rows = np.flatnonzero(np.isfinite(distance))
    rows = rows[np.argsort(distance[rows], kind="stable")]
    own, first = np.unique(near[rows], return_index=True)
    return np.column_stack([own, rows[first]]).astype(np.int64)


def _flexible(count: int) -> Model:
    """The most flexible model, up to cubic, that leaves many more pairs than coefficients."""
    usable = {"similarity": 0, "affine": 10, "polynomial-2": 30, "polynomial-3": 80}
    return [m for m in MODELS if count >= usable.get(m.name, math.inf)][-1]


def _grow(own: Array, ref: Array, tree: cKDTree, pose: Pose, trials: float) -> Match | None:
    """Extend an alignment over all stars; None unless it is beyond chance."""
    low, high = own.min(axis=0), own.max(axis=0)
    area = max(float(np.prod(np.maximum(high - low, 1.0))), 1.0)
    spacing = math.sqrt(area / len(own))
    wide = min(max(0.2 * spacing, 2.0), 12.0)
    transform = Transform(pose.matrix, "similarity")
    if not np.isfinite(pose.matrix).all() or not _promising(own, ref, tree, transform, wide, area):
        return None
    model, sigma = MODELS[0], wide
    for step in range(8):
        some = ref[:BRIGHT] if step < 7 else ref
        reach = wide if step < 6 else min(max(6.0 * sigma, 1.0), wide)
        pairs = _pair(tree, transform.apply(some), reach)
        model = _flexible(len(pairs) if step else 0)
        src, dst = ref[pairs[:, 1]], own[pairs[:, 0]]
        kept = clip(model, src, dst, np.ones(len(src)))
        if np.count_nonzero(kept) < model.stars:
            return None
        transform = model.fit(src[kept], dst[kept], np.ones(np.count_nonzero(kept)))
        distance = np.hypot(*(transform.apply(src[kept]) - dst[kept]).T)
        sigma = float(np.median(distance)) / 1.1774
    radius = min(max(5.0 * sigma, 1.0), wide)
    predicted = transform.apply(ref)
    pairs = _pair(tree, predicted, radius)
    used = {"similarity": 2, "affine": 3, "polynomial-2": 6, "polynomial-3": 10}[model.name]
    inside = _inside(predicted, low, high, radius)
    p = _chance_rate(tree, inside, area, radius)
    chance = _log_chance(p, len(inside), len(pairs), used) + trials
    if chance > math.log(MAX_CHANCE):
        return None
    return Match(pairs, chance / math.log(10.0), transform)


def _promising(
    own: Array, ref: Array, tree: cKDTree, transform: Transform, wide: float, area: float
) -> bool:
    """Whether bright stars fall near stars more often than by chance: a cheap first look."""
    inside = _inside(transform.apply(ref[:150]), own.min(axis=0), own.max(axis=0), wide)
    hits = _hits(tree, inside, wide)
    p = _chance_rate(tree, inside, area, wide)
    return hits >= MODELS[0].stars and bool(bdtrc(hits - 1, len(inside), p) < 0.01)


def _inside(points: Array, low: Array, high: Array, margin: float) -> Array:
    """The points within a box and `margin` px around it."""
    within = ((points >= low - margin) & (points <= high + margin)).all(axis=1)
    return np.asarray(points[within])


def _hits(tree: cKDTree, points: Array, radius: float) -> int:
    return int(np.isfinite(tree.query(points, distance_upper_bound=radius)[0]).sum())


def _chance_rate(tree: cKDTree, points: Array, area: float, radius: float) -> float:
    """The share of displaced points that find a star within `radius`: how often chance does.

    At least what stars spread evenly over `area` (px^2) would give.
    """
    even = tree.n * math.pi * radius**2 / area
    angles = 2.0 * math.pi * np.arange(8) / 8.0
    ring = np.column_stack([np.cos(angles), np.sin(angles)])
    hits = sum(
        _hits(tree, points + way * radius * (4.0 + k % 3), radius) for k, way in enumerate(ring)
    )
    return min(max(even, hits / max(len(ring) * len(points), 1)), 0.999)


def _log_chance(p: float, count: int, pairs: int, used: int) -> float:
    """ln of the probability that `count` unrelated stars give at least `pairs` pairs.

    p : chance of a pair for one star. used : pairs that the map's freedom accounts for; they
    prove nothing.
    """
    if count <= used or pairs <= used:
        return 0.0
    tail = float(bdtrc(min(pairs, count) - used - 1, count - used, p))
    return math.log(tail) if tail > 0.0 else -math.inf
