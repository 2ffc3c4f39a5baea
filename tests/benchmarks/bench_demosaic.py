"""Demosaicing against OpenCV's, on one thread each.

OpenCV works on 16-bit whole numbers and carries no flags; ours on float32 with flags, so that it
writes twice the bytes. So each is held against OpenCV twice: as it is, and with what it takes to
come from float32 and go back to it. OpenCV has no 5 x 5 filter of this kind; its edge-aware method
is the one nearest in cost and purpose.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from tests.benchmarks.harness import Case

from coldframe_steps.kernels.demosaic import demosaic

CODES = {
    "bilinear": ("bilinear", cv2.COLOR_BayerRGGB2RGB),
    "linear-5x5": ("edge-aware", cv2.COLOR_BayerRGGB2RGB_EA),
}
NOISE = 100.0


def agree(method: str, ours: tuple[NDArray[Any], NDArray[Any]], theirs: NDArray[Any]) -> str:
    mine = np.moveaxis(ours[0], 0, -1)[2:-2, 2:-2]
    apart = np.abs(mine - theirs[2:-2, 2:-2].astype(np.float32))
    if method == "bilinear":
        assert apart.max() <= 1.0, "the two differ by more than rounding"
        return "all pixels within the rounding of OpenCV's whole numbers"
    assert np.median(apart) < NOISE, "the two differ by more than the noise"
    return "median difference below the noise; the methods are not the same"


def cases(quick: bool) -> Iterator[Case]:
    cv2.setNumThreads(1)
    shape = (400, 600) if quick else (4000, 6000)
    rng = np.random.default_rng(1)
    mosaic = np.rint(rng.standard_normal(shape, dtype=np.float32) * np.float32(NOISE) + 1000)
    mosaic = mosaic.astype(np.float32)
    whole = mosaic.astype(np.uint16)
    clean = np.zeros(shape, np.uint8)
    usual = clean.copy()
    usual[rng.random(shape, dtype=np.float32) < 1e-3] = 2 | 64
    usual[rng.random(shape, dtype=np.float32) < 1e-4] = 1
    for method, (name, code) in CODES.items():

        def peer(code: int = code) -> NDArray[Any]:
            return cv2.cvtColor(whole, code)

        def floats(code: int = code) -> NDArray[Any]:
            return cv2.cvtColor(mosaic.astype(np.uint16), code).astype(np.float32)

        for what, flags, other, against in (
            ("", clean, peer, f"OpenCV {name}, uint16"),
            (", float32", clean, floats, f"OpenCV {name}, from/to float32"),
            (", flagged", usual, floats, f"OpenCV {name}, from/to float32"),
        ):
            yield Case(
                name=f"demosaic {method}{what}",
                ours=partial(demosaic, mosaic, flags, "RGGB", method),
                peer=other,
                agree=partial(agree, method if flags is clean else ""),
                target=0.0 if other is peer else 1.0,
                against=against,
                pixels=mosaic.size,
            )
