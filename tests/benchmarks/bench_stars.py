"""Finding and measuring stars against sep's background and extraction, on one thread each.

sep's positions and second moments are its own; ours adds centres, FWHM and roundness by adaptive
moments, SNR, and what is no star.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

import numpy as np
import sep
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from tests.benchmarks.harness import Case

from coldframe.frame import Frame, FrameInfo
from coldframe_steps.register.stars import StarField, find_stars

SIGMA = 1.3


def field(shape: tuple[int, int], count: int) -> NDArray[np.float32]:
    """Stars of one width on a noisy sky."""
    rng = np.random.default_rng(1)
    image = rng.standard_normal(shape, dtype=np.float32) * np.float32(20) + np.float32(500)
    y, x = np.mgrid[-8:9, -8:9]
    for cy, cx in rng.uniform(10, np.array(shape) - 11, (count, 2)):
        iy, ix = int(cy), int(cx)
        star = np.exp(-((y + iy - cy) ** 2 + (x + ix - cx) ** 2) / (2 * SIGMA**2))
        peak = 200 + rng.exponential(2000)
        image[iy - 8 : iy + 9, ix - 8 : ix + 9] += (peak * star).astype(np.float32)
    return image


def theirs(image: NDArray[np.float32]) -> NDArray[Any]:
    background = sep.Background(image)
    return sep.extract(image - background.back(), 5.0, err=background.globalrms)


def agree(count: int, ours: StarField, peer: NDArray[Any]) -> str:
    assert min(len(ours.table), len(peer)) > 0.97 * count
    distance, _ = cKDTree(np.column_stack([peer["x"], peer["y"]])).query(ours.table[:, :2])
    assert np.mean(distance < 0.5) > 0.97, "the two found other stars"
    assert abs(ours.measures["fwhm"] / (2.3548 * SIGMA) - 1) < 0.03
    return f"{len(ours.table)} and {len(peer)} stars, 97% within half a pixel of each other"


def cases(quick: bool) -> Iterator[Case]:
    shape, count = ((800, 1200), 200) if quick else ((4000, 6000), 5000)
    image = field(shape, count)
    flags = np.zeros(shape, np.uint8)
    for name, cfa in (("mono", None), ("mosaic", "RGGB")):
        yield Case(
            name=f"stars of a {name} frame",
            ours=partial(find_stars, Frame(image, flags, FrameInfo(cfa=cfa))),
            peer=partial(theirs, image),
            agree=partial(agree, count),
            target=1.0,
            against=f"sep {sep.__version__} background + extract",
            pixels=image.size,
        )
