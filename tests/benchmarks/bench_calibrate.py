"""Calibrating a frame against moving as many bytes once, on as many threads each.

Ours reads the frame, its flags and three masters and writes pixels and flags: 22 bytes a pixel. The
yardstick copies half of that: as much read and written.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray
from tests.benchmarks.harness import CORES, Case, banded

from coldframe_steps.kernels.pixels import calibrate_pixels, readonly

BYTES = 11
SCALE = 1.25


def cases(quick: bool) -> Iterator[Case]:
    shape = (400, 600) if quick else (4000, 6000)
    rng = np.random.default_rng(1)

    def noisy(level: float, sigma: float) -> NDArray[np.float32]:
        values = rng.standard_normal(shape, dtype=np.float32)
        return readonly(values * np.float32(sigma) + np.float32(level))

    raw = readonly(np.rint(noisy(1500, 30)))
    flags = readonly(np.zeros(shape, np.uint8), np.uint8)
    bias, dark, flat = noisy(512, 1), noisy(530, 1), noisy(20000, 100)
    black, level = readonly(np.zeros(4)), readonly(np.array([2e4, 2.1e4, 2.1e4, 1.9e4]))
    source = np.full((shape[0], shape[1] * BYTES), 7, np.uint8)

    def ours() -> tuple[NDArray[Any], NDArray[Any]]:
        data, out = np.empty(shape, np.float32), np.empty(shape, np.uint8)

        def band(first: int, last: int) -> None:
            rows = slice(first, last)
            images = readonly(bias[rows]), True, readonly(dark[rows]), True, True, SCALE
            end = readonly(flat[rows]), True, level, 60000.0, 0.0, 0.0, data[rows], out[rows]
            frame = readonly(raw[rows]), readonly(flags[rows], np.uint8), black
            calibrate_pixels(*frame, *images, *end)

        banded(band, shape[0])
        return data, out

    def peer() -> NDArray[Any]:
        copy = np.empty_like(source)
        banded(lambda first, last: np.copyto(copy[first:last], source[first:last]), shape[0])
        return copy

    def agree(ours: tuple[NDArray[Any], NDArray[Any]], _: Any) -> str:
        tile = np.array([[2e4, 2.1e4], [2.1e4, 1.9e4]])
        factor = np.tile(tile, (shape[0] // 2, shape[1] // 2)) / flat
        exact = (raw - (bias + SCALE * (dark.astype(np.float64) - bias))) * factor
        np.testing.assert_allclose(ours[0], exact, rtol=1e-5, atol=2e-3)
        assert not ours[1].any()
        return "the formula in numpy's float64, to 2e-3 ADU"

    yield Case(
        name="calibrate: bias, dark, flat",
        ours=ours,
        peer=peer,
        agree=agree,
        target=0.5,
        against=f"copying {BYTES} bytes a pixel, {CORES} threads",
        pixels=raw.size,
    )
