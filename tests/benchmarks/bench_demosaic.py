"""Demosaicing against OpenCV's, one thread each: python tests/benchmarks/bench_demosaic.py

OpenCV works on 16-bit whole numbers and carries no flags; ours on float32 with flags. Calls
alternate; medians of 7 of the processor time.
"""

from __future__ import annotations

import statistics
import time

import cv2
import numpy as np

from coldframe_steps.kernels.demosaic import demosaic

SHAPE = 3000, 4000
ROUNDS = 7


def main() -> None:
    cv2.setNumThreads(1)
    rng = np.random.default_rng(1)
    mosaic = rng.normal(1000, 100, SHAPE).astype(np.float32)
    whole = mosaic.astype(np.uint16)
    clean = np.zeros(SHAPE, np.uint8)
    usual = clean.copy()
    usual[rng.random(SHAPE) < 1e-3] = 2 | 64
    usual[rng.random(SHAPE) < 1e-3] = 1
    calls = {
        "OpenCV bilinear, uint16": lambda: cv2.cvtColor(whole, cv2.COLOR_BayerRG2RGB),
        "OpenCV edge-aware, uint16": lambda: cv2.cvtColor(whole, cv2.COLOR_BayerRG2RGB_EA),
        "bilinear": lambda: demosaic(mosaic, clean, "RGGB", "bilinear"),
        "linear-5x5, response given": lambda: demosaic(
            mosaic, clean, "RGGB", "linear-5x5", (1, 1, 1)
        ),
        "linear-5x5": lambda: demosaic(mosaic, clean, "RGGB", "linear-5x5"),
        "linear-5x5, 0.2% flagged": lambda: demosaic(mosaic, usual, "RGGB", "linear-5x5"),
    }
    times: dict[str, list[float]] = {name: [] for name in calls}
    for count in range(ROUNDS + 1):
        for name, call in calls.items():
            start = time.thread_time()
            call()
            if count:  # the first round compiles
                times[name].append(time.thread_time() - start)
    base = statistics.median(times["OpenCV bilinear, uint16"])
    for name, kept in times.items():
        middle = statistics.median(kept)
        print(f"{name:28} {middle / mosaic.size * 1e9:6.1f} ns/px {middle / base:6.2f}")


if __name__ == "__main__":
    main()
