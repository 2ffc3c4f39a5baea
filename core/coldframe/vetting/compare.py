"""Comparing frames that should be alike: groups, medians, planes and maps."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coldframe.frame import Array, FrameInfo, Kind
from coldframe.vetting.measures import Sight
from coldframe.vetting.verdict import Finding


@dataclass(frozen=True, slots=True)
class Subject:
    """A frame to be judged: its facts, what it shows, its label below the night's folder."""

    info: FrameInfo
    sight: Sight
    label: str


Found = dict[int, list[Finding]]
"""Findings by the subject's place in the list."""


def sensor(info: FrameInfo) -> tuple[Any, ...]:
    """What frames must share to be compared pixel level for pixel level."""
    return (
        info.camera, info.shape, info.binning, info.cfa,
        info.iso, info.gain_setting, info.offset,
    )  # fmt: skip


def groups(
    subjects: Sequence[Subject], kinds: Sequence[Kind], key: Callable[[Subject], Hashable]
) -> list[list[int]]:
    """Places of the subjects of these kinds, by a key."""
    out: dict[Hashable, list[int]] = defaultdict(list)
    for i, subject in enumerate(subjects):
        if subject.info.kind in kinds:
            out[key(subject)].append(i)
    return list(out.values())


def same_exposure(info: FrameInfo) -> float | None:
    """Exposure in s, to the two digits that cameras agree on."""
    return None if info.exposure is None else float(f"{info.exposure:.2g}")


def usual(stack: Array, place: int) -> Array:
    """Median of a stack (n, ...) without its member at `place`; of two others a single bad one
    would make half, so with three members the member itself counts too."""
    return np.asarray(np.median(stack if len(stack) < 4 else np.delete(stack, place, 0), axis=0))


def plane(grid: Array) -> Array:
    """Least-squares plane of a map, same shape, mean 0."""
    y, x = _axes(grid)
    centred = grid - grid.mean()
    # Both axes are centred, so that the two slopes are fitted one by one.
    slope_y, slope_x = (float((centred * a).sum() / (a * a).sum()) for a in (y, x))
    return np.asarray(slope_y * y + slope_x * x)


def _axes(grid: Array) -> tuple[Array, Array]:
    rows, columns = grid.shape
    y, x = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, columns), indexing="ij")
    return y, x


def swing(grid: Array) -> float:
    """Highest less lowest value of a map."""
    return float(grid.max() - grid.min())


def smooth(grid: Array) -> Array:
    """Mean of 3 x 3 cells around each; the border repeats."""
    rows, columns = grid.shape
    wide = np.pad(grid, 1, mode="edge")
    shifts = [wide[y : y + rows, x : x + columns] for y in range(3) for x in range(3)]
    return np.asarray(np.mean(shifts, axis=0))


def unlike(grid: Array, usual: Array) -> Array:
    """A map less the usual one at whatever strength fits: dark current grows all over alike.

    The strength is least squares on both maps' deviations from their median.
    """
    own, ref = grid - np.median(grid), usual - np.median(usual)
    power = float((ref * ref).sum())
    strength = float((own * ref).sum()) / power if power > 0 else 0.0
    return np.asarray(own - strength * ref)
