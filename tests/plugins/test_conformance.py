"""Every built-in step keeps the contract, by the same suite that plugin authors use."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from coldframe.frame import Flag, Frame, Kind
from coldframe.plugins import find_plugins
from coldframe.testing import check_step, sample_frames

STEPS = {
    name: step
    for name, step in find_plugins().steps.items()
    if step.__module__.startswith("coldframe_steps.")
}


def masters() -> list[Frame]:
    """Stacked darks as a store holds them, with the variance that a stack knows of itself."""
    frames = sample_frames(3, kind=Kind.DARK)
    variance = np.full(frames[0].shape, 4.0, np.float32)
    return [replace(frame, planes={"variance": variance}) for frame in frames]


CASES: list[tuple[str, dict[str, Any]]] = [
    ("background-fit", {}),
    ("calibrate", {"frames": sample_frames(cfa="RGGB")}),
    ("combine", {"frames": sample_frames(kind=Kind.BIAS), "any_order": True}),
    ("combine", {"frames": sample_frames(kind=Kind.FLAT), "params": {"scale": "median"}}),
    ("demosaic", {"frames": sample_frames(3, cfa="RGGB")}),
    ("integrate", {}),
    (
        "integrate",
        {"frames": sample_frames(4, shape=(64, 80), colour=True), "params": {"reject": "mad-clip"}},
    ),
    ("measure-master", {"frames": masters()}),
    ("measure-stars", {"frames": sample_frames(3, cfa="RGGB")}),
    # HOT and COLD belong to a place on the sensor: resampled pixels come from several.
    (
        "register",
        {"frames": sample_frames(3), "moves_pixels": True, "clears": Flag.HOT | Flag.COLD},
    ),
]


@pytest.mark.parametrize(
    ("name", "given"), CASES, ids=[f"{name}-{i}" for i, (name, _) in enumerate(CASES)]
)
def test_step_keeps_the_contract(name: str, given: dict[str, Any]) -> None:
    check_step(STEPS[name], **given)


def test_every_built_in_step_is_tried() -> None:
    assert set(STEPS) - {name for name, _ in CASES} == set(), "add a case to CASES"
