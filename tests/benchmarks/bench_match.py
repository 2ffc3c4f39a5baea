"""Matching two lists of 5,000 stars: by time alone, and against trying all pairs of bright stars.

The brute way knows neither rotation nor scale nor shift either: every pair of the brightest stars
of one list is laid upon every pair of the other (numpy), the similarities are counted in cells, and
the fullest cell is refined with scikit-image over all stars found near (scipy). It takes the frame
not to be mirrored and knows no way to tell chance from a match.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from skimage.transform import SimilarityTransform
from tests.benchmarks.harness import Case

from coldframe_steps.register.match import Match, match_stars

SIZE = np.array([6000.0, 4000.0])
BRIGHTEST = 40

Points = NDArray[np.float64]


def lists(count: int) -> tuple[Points, Points, Points]:
    """Own and reference stars, brightest first, a tenth unlike; corners and where they belong."""
    rng = np.random.default_rng(1)
    turn = np.deg2rad(12.0)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    ref, light = rng.uniform(0, SIZE, (count, 2)), rng.pareto(1.0, count)
    own = (ref - SIZE / 2) @ matrix.T + SIZE / 2 + (30.0, -20.0) + rng.normal(0, 0.1, ref.shape)
    lost = rng.random(count) < 0.1
    own[lost] = rng.uniform(0, SIZE, (np.count_nonzero(lost), 2))
    own_light = light * rng.lognormal(0, 0.03, count)
    corners = np.array([[0.0, 0.0], SIZE, [SIZE[0], 0.0], [0.0, SIZE[1]]])
    where = (corners - SIZE / 2) @ matrix.T + SIZE / 2 + (30.0, -20.0)
    return own[np.argsort(-own_light)], ref[np.argsort(-light)], np.stack([corners, where])


def brute(own: Points, ref: Points) -> Any:
    z, w = (points[:BRIGHTEST, 0] + 1j * points[:BRIGHTEST, 1] for points in (ref, own))
    i, j = (index.ravel() for index in np.nonzero(~np.eye(BRIGHTEST, dtype=bool)))
    a = ((w[i] - w[j])[:, None] / (z[i] - z[j])[None, :]).ravel()
    middle = SIZE[0] / 2 + 1j * SIZE[1] / 2
    b = (w[i][:, None] + 0 * a.reshape(len(i), -1)).ravel() + a * (middle - np.tile(z[i], len(i)))
    cells = np.column_stack(
        [np.log(np.abs(a)) / 0.02, np.angle(a) / 0.02, b.real / 30, b.imag / 30]
    )
    _, inverse, counts = np.unique(
        np.floor(cells).astype(np.int64), axis=0, return_inverse=True, return_counts=True
    )
    best = inverse.ravel() == np.argmax(counts)
    scale = np.median(a[best].real) + 1j * np.median(a[best].imag)
    shift = np.median(b[best].real) + 1j * np.median(b[best].imag) - scale * middle
    found = SimilarityTransform(
        scale=abs(scale), rotation=np.angle(scale), translation=(shift.real, shift.imag)
    )
    tree = cKDTree(own)
    for radius in (15.0, 3.0, 1.0):
        distance, near = tree.query(found(ref), distance_upper_bound=radius)
        kept = np.isfinite(distance)
        found = SimilarityTransform.from_estimate(ref[kept], own[near[kept]])
    return found


def agree(count: int, known: Points, ours: Match, peer: Any) -> str:
    corners, where = known
    assert len(ours.pairs) > 0.88 * count
    mine = np.abs(ours.transform.apply(corners) - where).max()
    assert mine < 0.1, f"our map is {mine:.2f} px off in a corner"
    if peer is not None:
        other = np.abs(peer(corners) - where).max()
        assert other < 0.1, f"the peer's map is {other:.2f} px off in a corner"
    return "the known map to 0.1 px in every corner"


def cases(quick: bool) -> Iterator[Case]:
    count = 500 if quick else 5000
    own, ref, known = lists(count)
    for name, peer, target in (
        ("match stars", None, 0.3),
        ("match stars, brute", partial(brute, own, ref), 1.0),
    ):
        yield Case(
            name=name,
            ours=partial(match_stars, own, ref),
            peer=peer,
            agree=partial(agree, count, known),
            target=target,
            against="" if peer is None else f"all pairs of {BRIGHTEST} (scipy, scikit-image)",
        )
