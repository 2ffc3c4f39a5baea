"""Rejecting and averaging a stack, against numpy, bottleneck and astropy on the same samples.

Ours works in bands of rows on as many threads as the engine would, each band an array of its own
as the engine reads it, and also gives variance, weights, counts and flags, for which it reads a
flag plane. The peers run on one thread and give the mean or median alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

import bottleneck
import numpy as np
from astropy.stats import sigma_clip
from numpy.typing import NDArray
from tests.benchmarks.harness import CORES, Case, banded

from coldframe_steps.combine.rejection import REJECTION_PARAMS, RULES, rule_of
from coldframe_steps.kernels.options import Softening
from coldframe_steps.kernels.stack import reduce_tile

FRAMES = 30
PARTS = 4 * CORES
SHAPE = (2000, 3000)
QUICK = (200, 500)
DEFAULTS = {key: param["default"] for key, param in REJECTION_PARAMS.items()}

Planes = list[dict[str, NDArray[Any]]]


class Stack:
    """Frames of sky with outliers in 0.2% of the samples, in bands of rows."""

    def __init__(self, shape: tuple[int, int], frames: int = FRAMES) -> None:
        rng = np.random.default_rng(frames)
        rows = shape[0] // PARTS
        self.pixels = PARTS * rows * shape[1]
        self.data = []
        for _ in range(PARTS):
            band = rng.normal(1000, 20, (frames, rows, shape[1])).astype(np.float32)
            hit = np.flatnonzero(rng.random(band.size, dtype=np.float32) < 0.002)
            band.ravel()[hit] += rng.exponential(2000, hit.size).astype(np.float32)
            self.data.append(band)
        # Written, not np.zeros: memory that nobody has written to is read from a single page.
        self.flags = [np.full(band.shape, 0, np.uint8) for band in self.data]

    def ours(self, reject: str, **how: Any) -> Planes:
        """Reduced by one of our rules, band by band."""
        rule = rule_of({**DEFAULTS, "reject": reject})

        def work(first: int, last: int) -> Planes:
            bands = range(first, last)
            return [reduce_tile(self.data[k], self.flags[k], rule=rule, **how) for k in bands]

        return [planes for part in banded(work, PARTS) for planes in part]

    def peer(self, work: Callable[[NDArray[np.float32]], Any]) -> list[Any]:
        """The bands, one after the other, by another library."""
        return [work(band) for band in self.data]


def clipped(band: NDArray[np.float32]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Mean of what astropy accepts, and how many that are."""
    kept = sigma_clip(band, sigma=3, maxiters=None, cenfunc="median", stdfunc="std", axis=0)
    return kept.mean(axis=0), (~kept.mask).sum(axis=0)


def same_clip(ours: Planes, theirs: list[Any]) -> str:
    for planes, (mean, count) in zip(ours, theirs, strict=True):
        assert np.array_equal(planes["count"], count), "the two accept different samples"
        np.testing.assert_allclose(planes["data"], mean, rtol=1e-6)
    return "the same samples accepted in every pixel; means to 1e-6"


def same_median(ours: Planes, theirs: list[Any]) -> str:
    for planes, median in zip(ours, theirs, strict=True):
        np.testing.assert_allclose(planes["data"], median, rtol=1e-7)
    return "medians to 1e-7"


def near(ours: Planes, theirs: Planes) -> str:
    for mine, other in zip(ours, theirs, strict=True):
        off = np.abs(mine["data"] - other["data"]).mean()
        assert off < 1.0, "two rules differ by more than noise"
    return "means of two rules to 1 ADU (5% of the noise) on average"


def same_mean(ours: Planes, frames: list[Any]) -> str:
    for planes, band in zip(ours, frames, strict=True):
        mean = band.mean(axis=0, dtype=np.float64)
        np.testing.assert_allclose(planes["data"], mean, rtol=1e-6)
    return "means to 1e-6 of numpy's in float64"


def copied(stack: Stack) -> Callable[[], list[NDArray[np.float32]]]:
    """Copy the frames, band by band on as many threads as ours, to memory that is there already.

    A copy moves two bytes for each: what is larger than the caches is written past them, without
    being read first. A band is.
    """
    targets = [np.empty_like(band) for band in stack.data]

    def work(first: int, last: int) -> None:
        for k in range(first, last):
            np.copyto(targets[k], stack.data[k])

    def run() -> list[NDArray[np.float32]]:
        banded(work, PARTS)
        return stack.data

    return run


def cases(quick: bool) -> Iterator[Case]:
    """The rows about stacking in the table of targets."""
    stack = Stack(QUICK if quick else SHAPE)
    size = f"{FRAMES} x {stack.pixels / 1e6:.1f} Mpx"
    case = partial(Case, pixels=stack.pixels)
    yield case(
        f"sigma clip + mean, {size}",
        lambda: stack.ours("sigma-clip"),
        lambda: stack.peer(clipped),
        same_clip,
        25.0,
        "astropy sigma_clip + mean",
    )
    for peer in (bottleneck.median, np.median):
        yield case(
            f"median, {size}",
            lambda: stack.ours("none", median=True),
            partial(stack.peer, partial(peer, axis=0)),
            same_median,
            10.0,
            f"{peer.__module__.split('.')[0]} median",
        )
    for rule in RULES[3:]:
        yield case(
            f"{rule}, {size}",
            partial(stack.ours, rule),
            lambda: stack.ours("sigma-clip"),
            near,
            1 / 3,
            "our sigma clip",
        )
    rng = np.random.default_rng(1)
    weights = rng.uniform(0.5, 1, FRAMES)
    match = np.stack([rng.uniform(0.9, 1.1, FRAMES), *rng.normal(0, 1e-3, (3, FRAMES))], axis=1)
    yield case(
        f"integrate, everything on, {size}",
        lambda: stack.ours(
            "winsorised-sigma-clip",
            weights=weights,
            relative=400 / weights,
            match=match,
            softening=Softening(0.3, 20 / FRAMES**0.5),
            grow=4,
        ),
        lambda: stack.ours("winsorised-sigma-clip"),
        lambda ours, theirs: f"{sum(p['count'].size for p in ours)} pixels",
        0.5,
        "our winsorised clip alone",
    )
    # 0.8 of the bytes a second that the copy moves, counting what has to be read and written:
    # not that our writes fetch what they overwrite, nor that the planes' memory is fresh.
    read = FRAMES * stack.pixels * 5
    written = stack.pixels * (3 * 4 + 3 * 2 + 1)
    copy_bytes = 2 * FRAMES * stack.pixels * 4
    yield case(
        f"plain mean, {size}",
        lambda: stack.ours("none"),
        copied(stack),
        same_mean,
        0.8 * copy_bytes / (read + written),
        "numpy copy of the frames",
    )
