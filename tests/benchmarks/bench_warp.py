"""Lanczos resampling against OpenCV's, one thread each: python tests/benchmarks/bench_warp.py

OpenCV's kernel is wider (4 lobes, 64 taps) and its weights are tabulated at 32 positions a pixel;
ours has 3 lobes (36 taps), exact weights, the clamp on, and carries flags. Calls alternate;
medians of 5 of the processor time.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from functools import partial

import cv2
import numpy as np

from coldframe_steps.kernels.warp import warp

SHAPE = 2400, 3600
ROUNDS = 5
NO_POLY, NORM = np.zeros((2, 0)), np.array([0.0, 0.0, 1.0])
HOW = cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP


def alternate(first: Callable[[], object], second: Callable[[], object]) -> tuple[float, float]:
    """Median seconds of each."""
    times: tuple[list[float], list[float]] = ([], [])
    first(), second()
    for _ in range(ROUNDS):
        for call, kept in zip((first, second), times, strict=True):
            start = time.thread_time()
            call()
            kept.append(time.thread_time() - start)
    return statistics.median(times[0]), statistics.median(times[1])


def star_field() -> tuple[np.ndarray, np.ndarray]:
    """A noisy sky with stars in three colours, float32, and flags with some of each bit."""
    rng = np.random.default_rng(1)
    image = rng.normal(500, 20, (3, *SHAPE)).astype(np.float32)
    y, x = np.mgrid[-8:9, -8:9]
    star = np.exp(-(y**2 + x**2) / 3.0).astype(np.float32)
    for cy, cx in rng.integers(8, np.array(SHAPE) - 9, (8000, 2)):
        image[:, cy - 8 : cy + 9, cx - 8 : cx + 9] += star * rng.exponential(3000)
    flags = np.where(image.max(axis=0) > 15000, np.uint8(1), np.uint8(0))
    flags[rng.random(SHAPE) < 1e-3] = 2 | 64
    flags[rng.random(SHAPE) < 1e-4] = 16
    return image, flags


def main() -> None:
    cv2.setNumThreads(1)
    image, flags = star_field()
    interleaved = np.ascontiguousarray(np.moveaxis(image, 0, -1))
    pixels = SHAPE[0] * SHAPE[1]
    print(f"{'turn deg':>9} {'colours':>8} {'ours ns/px':>11} {'OpenCV ns/px':>13} {'ratio':>6}")
    for degrees in (0.02, 0.5, 5.0, 30.0, 180.0):
        c, s = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
        q = (SHAPE[0] - 1) / 2
        matrix = np.array(
            [[c, -s, q - c * q + s * q + 0.3], [s, c, q - s * q - c * q + 0.2], [0, 0, 1]]
        )
        for colours, ours_in, theirs_in in ((1, image[0], image[0]), (3, image, interleaved)):
            ours, theirs = alternate(
                partial(warp, ours_in, flags, matrix, NO_POLY, NORM, SHAPE, "lanczos3", True),
                partial(cv2.warpAffine, theirs_in, matrix[:2], SHAPE[::-1], flags=HOW),
            )
            print(
                f"{degrees:9.2f} {colours:8d} {ours / pixels * 1e9:11.1f} "
                f"{theirs / pixels * 1e9:13.1f} {ours / theirs:6.2f}"
            )


if __name__ == "__main__":
    main()
