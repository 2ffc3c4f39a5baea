"""Shadows of dust: found in the flat, measured in lights with and without it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from coldframe.evidence.blocks import block_size, blocks_of
from coldframe.frame import Array

SHALLOW = 0.004  # share of the light; what is less is not called a shadow
SIGMAS = 6.0
FEWEST = 9  # blocks
LARGEST = 0.03  # share of the frame
ORDER = 6  # of the polynomial that the flat's smooth shape is


@dataclass(frozen=True, slots=True)
class Shadows:
    """Shadows in a flat.

    labels : int (rows, columns) of blocks, 0 outside. depth : (n,), share of the light lost where
    each is deeper than 0.8 of its deepest. size : (n,), px of the frame where it is deeper than
    half of that. y, x : (n,), its middle, px. block : side of a block, px. blocks : (rows, columns),
    the flat, as of `blocks_of`.
    """

    labels: Array
    depth: Array
    size: Array
    y: Array
    x: Array
    block: int
    blocks: Array


def find_shadows(flat: Array, cfa: bool) -> Shadows:
    """The shadows in a master flat (y, x).

    Notes
    -----
    The flat's smooth shape is a polynomial of order `ORDER` in both directions, fitted with what
    lies below by 3 sigma left out in turn; a shadow is a connected patch that lies below it by
    `SHALLOW` and `SIGMAS` robust sigmas, with `FEWEST` blocks or more, off the edges. Its depth is
    the mean where, after smoothing by a block, it is deeper than 0.8 of its deepest (common
    practice).
    """
    block = block_size((flat.shape[0], flat.shape[1]))
    means = blocks_of(flat, None, block, cfa)
    lost = 1 - means / _smooth(means)
    soft = ndimage.gaussian_filter(lost, 1.0, mode="nearest")
    sigma = 1.4826 * float(np.median(np.abs(soft - np.median(soft))))
    labels, _ = ndimage.label(soft > max(SHALLOW, SIGMAS * sigma))
    kept = np.zeros_like(labels)
    rows: list[tuple[float, ...]] = []
    for number, place in enumerate(ndimage.find_objects(labels), 1):
        patch = labels[place] == number
        blocks = int(patch.sum())
        edge = any(s.start == 0 or s.stop == n for s, n in zip(place, labels.shape, strict=True))
        if blocks < FEWEST or blocks > LARGEST * labels.size or edge:
            continue
        kept[place][patch] = len(rows) + 1
        wide = patch & (soft[place] >= 0.5 * float(soft[place][patch].max()))
        deep = soft[place] >= 0.8 * float(soft[place][patch].max())
        middle = ndimage.center_of_mass(patch)
        at = [(s.start + m + 0.5) * block for s, m in zip(place, middle, strict=True)]
        rows.append((float(lost[place][patch & deep].mean()), float(wide.sum() * block**2), *at))
    depth, size, y, x = np.array(rows, np.float64).reshape(-1, 4).T
    return Shadows(kept, depth, size, y, x, block, means)


def _smooth(values: Array) -> Array:
    """The polynomial of order `ORDER` that lies through the blocks outside shadows."""
    across, down = (
        np.polynomial.legendre.legvander(np.linspace(-1, 1, size), ORDER)
        for size in values.shape[::-1]
    )
    thin = math.ceil((values.size / 20_000) ** 0.5)
    i, j = np.nonzero(np.add.outer(np.arange(ORDER + 1), np.arange(ORDER + 1)) <= ORDER)
    design = (down[::thin, None, i] * across[None, ::thin, j]).reshape(-1, i.size)
    target = values[::thin, ::thin].ravel()
    keep = np.isfinite(target)
    terms = np.zeros((ORDER + 1, ORDER + 1))
    for _ in range(6):
        some, wanted = design[keep], target[keep]
        fit = np.linalg.solve(some.T @ some, some.T @ wanted)  # Legendre: well conditioned
        terms[i, j] = fit
        away = target - design @ fit
        sigma = 1.4826 * float(np.median(np.abs(away[keep])))
        keep = (away > -3 * sigma) & (away < 5 * sigma)
    surface: Array = down @ terms @ across.T
    return surface


def depth_in(shadows: Shadows, lights: Sequence[Array], flat: Array) -> tuple[float, float]:
    """How deep the flat's shadows are in lights, as a share of their depth in the flat, and error.

    lights, flat : (rows, columns), blocks as of `blocks_of`. 1: as deep as in the flat; 0: gone.

    Notes
    -----
    The contrast of a shadow is 1 less the mean over it by the mean over a ring about it. The share
    is the weighted mean over the shadows of contrast in the lights / contrast in the flat, with
    weights contrast^2 size: the least squares fit. The error is the standard error of that mean by
    the scatter of the shadows, or of the lights where that is larger: stars beside a shadow are
    the same in every light. NaN for one shadow and one light.
    """
    places = list(enumerate(ndimage.find_objects(shadows.labels), 1))
    wanted = np.array([_contrast(shadows, flat, *place) for place in places])
    found = np.array([[_contrast(shadows, levels, *at) for at in places] for levels in lights])
    found = found.reshape(len(lights), wanted.size)
    good = np.isfinite(wanted) & (wanted > SHALLOW / 2) & np.isfinite(found).all(axis=0)
    if not good.any() or not len(lights):
        return float("nan"), float("nan")
    shares = found[:, good] / wanted[good]
    weights = shadows.size[good] * wanted[good] ** 2
    weights = weights / weights.sum()
    by_shadow, by_light = shares.mean(axis=0), shares @ weights
    mean = float(by_light.mean())
    errors = [float("nan")]
    n = int(good.sum())
    if n > 1:
        squares = float(np.sum(weights**2 * (by_shadow - mean) ** 2))
        errors.append(float(np.sqrt(squares * n / (n - 1))))
    if len(lights) > 1:
        errors.append(float(by_light.std(ddof=1) / len(lights) ** 0.5))
    return mean, float(np.nanmax(errors)) if len(errors) > 1 else float("nan")


def _contrast(shadows: Shadows, levels: Array, number: int, place: tuple[slice, ...]) -> float:
    wide = max(2, round((shadows.size[number - 1] ** 0.5) / shadows.block / 2))
    rows, columns = (slice(max(0, s.start - wide), s.stop + wide) for s in place)
    labels = shadows.labels[rows, columns]
    inside = labels == number
    ring = ndimage.binary_dilation(inside, iterations=wide) & (labels == 0)
    ring &= ~ndimage.binary_dilation(labels > 0, iterations=1)
    if ring.sum() < 4:
        return float("nan")
    return float(1 - levels[rows, columns][inside].mean() / levels[rows, columns][ring].mean())
