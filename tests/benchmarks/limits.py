"""What rejection costs a clean sky and what it leaves of a trail, by rule, frames and limit.

    python -m tests.benchmarks.limits

prints the tables of docs/maths.md. Samples are normal with sigma 1. Lost: share of a clean sky's
samples that are rejected as too high. Left: most that a trail in one frame leaves in the stack, in
sigma of the stack, whatever its brightness.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from coldframe_steps.kernels.few import Noise, reduce_few
from coldframe_steps.kernels.options import WINSORISED, Rule
from coldframe_steps.kernels.stack import reduce_tile

SHAPE = (400, 1000)
BRIGHT = (2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 30.0)
"""Sigma of one frame, of the trails tried."""
LIMITS = (3.0, 3.25, 3.5, 3.75, 4.0, 4.3, 4.5)
FRAMES = (2, 3, 4, 5, 6, 8, 9, 10, 12, 16, 30)

Planes = dict[str, NDArray[np.generic]]
Reduce = Callable[[NDArray[np.float32], float], Planes]


def winsorised(data: NDArray[np.float32], limit: float) -> Planes:
    """By the samples' own scatter."""
    rule = Rule(WINSORISED, (limit, limit, 0.0))
    return reduce_tile(data, np.zeros(data.shape, np.uint8), rule=rule)


def known(data: NDArray[np.float32], limit: float) -> Planes:
    """By the noise that the frames are known to have."""
    n = len(data)
    return reduce_few(
        data,
        np.zeros(data.shape, np.uint8),
        y0=0,
        match=np.tile([1.0, 0.0, 0.0, 0.0], (n, 1)),
        weights=np.ones(n),
        noise=Noise(np.ones(n), np.zeros(n), 0.0),
        limits=(limit, limit),
        softening=None,
        grow=0,
    )


def trade(reduce: Reduce, frames: int, limit: float) -> tuple[float, float]:
    """(per cent of clean samples lost, most that a trail leaves in sigma of the stack)."""
    data = np.random.default_rng(frames).normal(0, 1, (frames, *SHAPE)).astype(np.float32)
    clean = reduce(data, limit)
    lost = 100 * float(np.mean(clean["high"])) / frames
    left = 0.0
    for bright in BRIGHT:
        trail = data.copy()
        trail[0] += np.float32(bright)
        mean = float(np.mean(reduce(trail, limit)["data"]) - np.mean(data))
        left = max(left, mean * frames**0.5)
    return lost, left


def main() -> None:
    """Print both tables."""
    print("| limit | lost of 16 frames (%) | trail left (sigma) |\n| --- | --- | --- |")
    for limit in LIMITS:
        print("| {} | {:.3f} | {:.2f} |".format(limit, *trade(winsorised, 16, limit)))
    print(
        "\n| frames | by their scatter: lost (%) | left (sigma) | by known noise: lost (%) "
        "| left (sigma) |\n| --- | --- | --- | --- | --- |"
    )
    for frames in FRAMES:
        scatter, noise = trade(winsorised, frames, 3.5), trade(known, frames, 3.5)
        print("| {} | {:.3f} | {:.2f} | {:.3f} | {:.2f} |".format(frames, *scatter, *noise))


if __name__ == "__main__":
    main()
