"""Noise of the sky at the size of faint things, and its large shape."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from coldframe.evidence.shape import box_levels
from coldframe.frame import UNUSABLE, Array, Flag, Frame
from coldframe.stretch import sky_level

BOX = 8
"""Side of a box, px. Larger than what resampling ties together, so that neighbours that share
noise do not pass for less of it."""

SCENE = 32  # px, blocks that the sky under stars is followed in
STAR = 4.0  # sigma above the sky, after 3 x 3 averaging, from which a pixel belongs to a star
GROW = 3  # px that a star's mask reaches further
TERMS = 3  # order of the surface


def grey(data: Array) -> Array:
    """Mean of the colours: (c, h, w) to float32 (h, w)."""
    return np.asarray(data.mean(axis=0, dtype=np.float32))


def usable(flags: Array) -> Array:
    """Pixels that were measured and not saturated, bool."""
    return (flags & np.uint8(UNUSABLE | Flag.SATURATED)) == 0


def star_excess(frame: Frame) -> tuple[Array, float]:
    """What stands above the local sky, averaged 3 x 3, float32 (y, x); and its sigma."""
    image = ndimage.uniform_filter(grey(frame.channels), 3)
    boxes = max(1, max(frame.shape) // SCENE)
    levels = box_levels(image, frame.flags, boxes)
    known = np.isfinite(levels)
    levels = np.where(known, levels, np.median(levels[known]) if known.any() else 0.0)
    rows, columns = (
        np.clip((np.arange(size) + 0.5) * parts / size - 0.5, 0, parts - 1)
        for size, parts in zip(image.shape, levels.shape, strict=True)
    )
    excess = image - _bilinear(levels, rows, columns)
    good = usable(frame.flags)
    return excess, sky_level(excess[good][:: max(1, good.sum() // 300_000)])[1]


def _bilinear(levels: Array, rows: Array, columns: Array) -> Array:
    across = np.stack([np.interp(columns, np.arange(levels.shape[1]), row) for row in levels])
    low = np.minimum(rows.astype(int), levels.shape[0] - 1)
    high = np.minimum(low + 1, levels.shape[0] - 1)
    part = (rows - low)[:, None]
    return ((1 - part) * across[low] + part * across[high]).astype(np.float32)


def sky_mask(frame: Frame, excess: Array, above: float) -> Array:
    """Pixels of the sky alone, bool (y, x): usable, and no star of `above` ADU or more near."""
    return usable(frame.flags) & ~ndimage.maximum_filter(excess > above, 2 * GROW + 1)


def box_noise(image: Array, mask: Array) -> float:
    """Sigma of the mean of a box of `BOX` x `BOX` px; NaN with too few boxes.

    Parameters
    ----------
    image : float (y, x). mask : bool (y, x), the pixels to use.

    Notes
    -----
    Boxes are means of the pixels used, of at least half of them. Of three boxes along a diagonal
    the first less twice the second plus the third has sqrt(6) times the noise of one; gradients
    cancel. The scatter of empty apertures holds the noise that neighbours share (Labbe et al. 2003,
    AJ 125, 1107), and in boxes it gives the limiting surface brightness (Roman, Trujillo and Montes
    2020, A&A 644, A42, appendix A).
    """
    down, across = (size // BOX for size in image.shape)
    part = np.s_[: down * BOX, : across * BOX]
    squares = (down, BOX, across, BOX)
    inside = mask[part].reshape(squares)
    count = inside.sum(axis=(1, 3))
    total = np.where(inside, image[part].reshape(squares), 0).sum(axis=(1, 3), dtype=np.float64)
    level = np.where(2 * count >= BOX * BOX, total / np.maximum(count, 1), np.nan)
    found = np.concatenate(
        [
            (one[:-2, :-2] - 2 * one[1:-1, 1:-1] + one[2:, 2:]).ravel()
            for one in (level, level[:, ::-1])
        ]
    )
    found = found[np.isfinite(found)]
    return sky_level(found)[1] / np.sqrt(6.0) if found.size >= 12 else float("nan")


def sky_boxes(frame: Frame) -> Array:
    """Sky of a frame in large boxes, mean of the colours: float64 (rows, columns)."""
    return np.asarray(np.mean([box_levels(c, frame.flags) for c in frame.channels], axis=0))


def surface_range(levels: Array, chosen: Array | None = None) -> float:
    """Highest less lowest value of the smooth surface through box levels; NaN for too few boxes.

    Parameters
    ----------
    levels : float64 (rows, columns), NaN where unknown. chosen : flat places of the boxes to fit,
    which may repeat; None for all.

    Notes
    -----
    A polynomial of third order in y and x by least squares; boxes more than 3 sigma (1.4826 MAD)
    from it are left out, over again, so that nebulae count little. It is looked at in all boxes.
    """
    y, x = np.meshgrid(*(np.linspace(-1, 1, size) for size in levels.shape), indexing="ij")
    powers = [(i, j) for i in range(TERMS + 1) for j in range(TERMS + 1 - i)]
    design = np.stack([(y**i * x**j).ravel() for i, j in powers], axis=1)
    flat = levels.ravel()
    known = np.isfinite(flat)
    index = np.flatnonzero(known) if chosen is None else chosen[known[chosen]]
    if np.unique(index).size < 2 * len(powers) or min(levels.shape) <= TERMS:
        return float("nan")
    keep = index
    for _ in range(10):
        solution = np.linalg.lstsq(design[keep], flat[keep], rcond=None)[0]
        away = flat[index] - design[index] @ solution
        sigma = 1.4826 * np.median(np.abs(away - np.median(away)))
        now = index[np.abs(away) <= 3 * sigma]
        if np.unique(now).size < 2 * len(powers) or np.array_equal(now, keep):
            break
        keep = now
    return float(np.ptp((design @ solution)[known]))
