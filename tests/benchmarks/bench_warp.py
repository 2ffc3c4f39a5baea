"""Lanczos resampling with flags against OpenCV's, on as many threads each.

OpenCV's kernel is wider (4 lobes, 64 taps), its weights are tabulated at 32 positions a pixel, and
it carries no flags. Ours has 3 lobes (36 taps), weights exact to 5e-7, holds ringing, and leaves
flagged pixels out. Before any time counts both are held against a picture that is known between
its pixels: ours must be no farther from it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from tests.benchmarks.harness import CORES, Case, banded

from coldframe_steps.kernels.warp import map_points, warp, warp_rows

NO_POLY, NORM = np.zeros((2, 0)), np.array([0.0, 0.0, 1.0])
HOW = cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP
NOISE = 20.0

Floats = NDArray[np.float32]
Pair = tuple[Floats, NDArray[np.uint8]]


def turn(degrees: float, shape: tuple[int, int]) -> NDArray[np.float64]:
    """About the middle, and a shift by parts of a pixel: output to input."""
    c, s = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
    y, x = (np.array(shape) - 1) / 2
    return np.array([[c, -s, x - c * x + s * y + 0.3], [s, c, y - s * x - c * y + 0.2], [0, 0, 1]])


def star_field(shape: tuple[int, int]) -> Pair:
    """A noisy sky with stars in three colours, and flags with some of each kind."""
    rng = np.random.default_rng(1)
    image = rng.standard_normal((3, *shape), dtype=np.float32) * np.float32(NOISE) + np.float32(500)
    y, x = np.mgrid[-8:9, -8:9]
    star = np.exp(-(y**2 + x**2) / 3.0).astype(np.float32)
    count = shape[0] * shape[1] // 2000
    for cy, cx in rng.integers(8, np.array(shape) - 9, (count, 2)):
        image[:, cy - 8 : cy + 9, cx - 8 : cx + 9] += star * np.float32(rng.exponential(3000))
    flags = np.where(image.max(axis=0) > 15000, np.uint8(1), np.uint8(0))
    flags[rng.random(shape, dtype=np.float32) < 1e-3] = 2 | 64
    flags[rng.random(shape, dtype=np.float32) < 1e-4] = 16
    return image, flags


def errors(matrix: NDArray[np.float64]) -> tuple[float, float]:
    """Root mean square errors, ours and OpenCV's, on stars of 3 px FWHM at any sub-pixel place."""
    size = 300
    middle = turn(0.0, (size, size)) - turn(0.0, (size, size))
    small = matrix.copy()
    small[:2, 2] = 0.0
    centre = np.array([(size - 1) / 2, (size - 1) / 2, 0.0])
    small[:, 2] = centre - small @ centre + middle[:, 2] + np.array([0.3, 0.2, 1.0])
    places = np.random.default_rng(2).uniform(20, size - 20, (80, 2))

    def light(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        total = np.full(x.shape, 500.0)
        for cx, cy in places:
            total += 3000.0 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * 1.27**2))
        return total

    y, x = np.mgrid[:size, :size].astype(float)
    image = light(x, y).astype(np.float32)
    uv = map_points(small, NO_POLY, NORM, np.c_[x.ravel(), y.ravel()])
    inside = ((uv > 8) & (uv < size - 9)).all(axis=1)
    truth = light(uv[inside, 0], uv[inside, 1])
    flags = np.zeros(image.shape, np.uint8)
    ours, _ = warp(image, flags, small, NO_POLY, NORM, image.shape, "lanczos3", True)
    theirs = cv2.warpAffine(image, small[:2], (size, size), flags=HOW)
    mine, other = (np.sqrt(np.mean((a.ravel()[inside] - truth) ** 2)) for a in (ours, theirs))
    return float(mine), float(other)


def agree(matrix: NDArray[np.float64], ours: list[Pair], theirs: Floats) -> str:
    mine, other = errors(matrix)
    assert mine <= other, f"farther from the true picture: {mine:.3g} against {other:.3g} ADU"
    top = 0
    for data, flags in ours:
        peer = theirs[top : top + flags.shape[0]]
        top += flags.shape[0]
        peer = np.moveaxis(peer, -1, 0) if peer.ndim == 3 else peer
        rows = slice(None, None, 7)
        apart = np.abs(data - peer)[..., rows, 20:-20][..., flags[rows, 20:-20] == 0]
        assert np.median(apart) < 0.3 * NOISE, "the pictures differ by more than the kernels do"
    return f"rms error on known stars: {mine:.2f} ADU, theirs {other:.2f}; both like in noise"


def cases(quick: bool) -> Iterator[Case]:
    cv2.setNumThreads(CORES)
    shape = (400, 600) if quick else (4000, 6000)
    image, flags = star_field(shape)
    woven = np.ascontiguousarray(np.moveaxis(image, 0, -1))
    for degrees in (0.02, 0.5, 5.0, 30.0, 180.0):
        matrix = turn(degrees, shape)
        for colours, mine, other in ((1, image[0], image[0]), (3, image, woven)):

            def ours(mine: Floats = mine, matrix: NDArray[np.float64] = matrix) -> list[Any]:
                def band(first: int, last: int) -> Pair:
                    how = matrix, NO_POLY, NORM, shape, "lanczos3", True
                    return warp_rows(mine, flags, *how, first, last)

                return banded(band, shape[0])

            peer: Callable[[], Any] = partial(
                cv2.warpAffine, other, matrix[:2], shape[::-1], flags=HOW
            )
            yield Case(
                name=f"warp lanczos3, {degrees:g} deg, {colours} col.",
                ours=ours,
                peer=peer,
                agree=partial(agree, matrix),
                target=2.0,
                against=f"OpenCV Lanczos-4, {CORES} threads",
                pixels=shape[0] * shape[1],
            )
