"""Runs a stack step in memory as the engine does, for the tests of the steps."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from coldframe.frame import Frame, FrameInfo
from coldframe.step import Context, Numbers, Row, StackStep, Tile

sys.path.insert(0, str(Path(__file__).parent))  # for helpers beside the tests


@dataclass(frozen=True)
class StackRun:
    """A finished stack with what was decided on the way."""

    stack: Frame
    decision: Numbers
    surveys: list[Numbers]

    def column(self, name: str) -> list[float]:
        return [float(v) for v in self.decision[name]]


def run_step(step: StackStep, frames: Sequence[Frame], *, bands: int = 1, **given: Any) -> StackRun:
    """Survey, prepare, reduce in bands with the step's halo, join, finish."""
    unknown = set(given) - set(step.params)
    assert not unknown, unknown
    params = {name: spec["default"] for name, spec in step.params.items()} | given
    ctx = Context(params=params)
    surveys = [step.survey(frame, ctx) for frame in frames]
    rows = [Row(f.info, f.measures, s) for f, s in zip(frames, surveys, strict=True)]
    decision = step.prepare(rows, ctx)
    ctx = Context(params=params, decision=decision)
    height, halo = frames[0].shape[0], step.halo_rows(params)
    colours = []
    for channel in range(len(frames[0].channels)):
        parts = []
        for band in range(bands):
            y0, y1 = height * band // bands, height * (band + 1) // bands
            top, bottom = max(0, y0 - halo), min(height, y1 + halo)
            tile = Tile(
                data=np.stack([f.channels[channel][top:bottom] for f in frames]),
                flags=np.stack([f.flags[top:bottom] for f in frames]),
                channel=channel,
                y0=top,
            )
            planes = step.reduce(tile, ctx)
            parts.append({k: v[y0 - top : y1 - top] for k, v in planes.items()})
        colours.append({k: np.concatenate([p[k] for p in parts]) for k in parts[0]})
    joined = {
        k: np.stack([c[k] for c in colours]) if len(colours) > 1 else colours[0][k]
        for k in colours[0]
    }
    flags = np.bitwise_or.reduce(np.stack([c["flags"] for c in colours]), axis=0)
    planes = {k: v for k, v in joined.items() if k not in ("data", "flags")}
    stack = Frame(joined["data"], flags, FrameInfo(kind=frames[0].info.kind), planes)
    return StackRun(step.finish(stack, ctx), decision, surveys)


@pytest.fixture
def stack_run() -> Callable[..., StackRun]:
    return run_step
