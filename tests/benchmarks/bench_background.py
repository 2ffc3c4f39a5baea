"""Fitting and removing the background of a stack: by time alone."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

import numpy as np
from tests.benchmarks.harness import Case

from coldframe.frame import Frame, FrameInfo
from coldframe.step import Context
from coldframe_steps.background.step import BackgroundFit

SLOPE = 40.0


def agree(ours: Frame, _: Any) -> str:
    rows = ours.channels[:, ::50].mean(axis=(0, 1), dtype=np.float64)
    left = np.polyfit(np.linspace(-1, 1, rows.size), rows, 1)[0]
    assert abs(left) < 0.005 * SLOPE, f"{left:.2f} of {SLOPE} ADU of slope is left"
    return "a known slope is gone, to half a hundredth"


def cases(quick: bool) -> Iterator[Case]:
    shape = (400, 600) if quick else (4000, 6000)
    rng = np.random.default_rng(1)
    params = {name: rule["default"] for name, rule in BackgroundFit.params.items()}
    across = np.linspace(-SLOPE, SLOPE, shape[1], dtype=np.float32)
    flags = np.zeros(shape, np.uint8)
    for name, colours, more in (
        ("mono", 1, {}),
        ("colour", 3, {}),
        ("mono, spline", 1, {"model": "thin-plate"}),
    ):
        data = rng.standard_normal((colours, *shape), dtype=np.float32) * np.float32(10)
        data += across + np.float32(500)
        frame = Frame(data if colours == 3 else data[0], flags, FrameInfo())
        yield Case(
            name=f"background fit, {name}",
            ours=partial(BackgroundFit().apply, frame, Context(params={**params, **more})),
            peer=None,
            agree=agree,
            target=0.5,
            pixels=flags.size,
        )
