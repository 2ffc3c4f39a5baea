"""Sets of equal frames: their average, their temporal variance from pairs, their levels.

Source: EMVA Standard 1288, release 4.0 (2021), general part: mean and temporal variance from pairs
of images, the variance by half the squared difference less what the means differ.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coldframe.errors import StepError
from coldframe.frame import Array

COLOURS = "RGB"
_BAND = 32  # rows at a time: they stay in the processor's cache


@dataclass(frozen=True, slots=True)
class FrameSet:
    """What equal frames say together.

    mean : float64 (y, x), the average of all frames, ADU. temporal : float64 (y, x), the pairs'
    average of each pixel's temporal variance, ADU^2. levels : mean of each frame, ADU.
    signal : by CFA position (one for a mono sensor), the mean above the offset to which the
    temporal variance belongs, ADU; zero for sets without light. cfa : colours of the top left
    2 x 2, or None.
    """

    mean: Array
    temporal: Array
    levels: tuple[float, ...]
    signal: tuple[float, ...]
    pairs: int
    cfa: str | None

    @property
    def frames(self) -> int:
        """How many frames went in."""
        return len(self.levels)

    def means(self, good: Array | None = None) -> tuple[float, ...]:
        """Mean level of each CFA position over the pixels that are good, ADU."""
        return tuple(float(part.mean()) for part in _parts(self.mean, self.cfa, good))

    def variances(self, good: Array | None = None) -> tuple[float, ...]:
        """Temporal variance of each CFA position over the pixels that are good, ADU^2."""
        return tuple(float(part.mean()) for part in _parts(self.temporal, self.cfa, good))

    def colours(self) -> tuple[str, ...]:
        """The colour of each CFA position; "mono" without a CFA."""
        return tuple(self.cfa) if self.cfa else ("mono",)


def positions(data: Array, cfa: str | None) -> Iterator[Array]:
    """(y, x) views of `data`, one for each CFA position in row-major order."""
    if not cfa:
        yield data
        return
    for y in range(2):
        for x in range(2):
            yield data[y::2, x::2]


def _parts(data: Array, cfa: str | None, good: Array | None) -> Iterator[Array]:
    if good is None:
        yield from positions(data, cfa)
        return
    for part, use in zip(positions(data, cfa), positions(good, cfa), strict=True):
        yield part[use]


def gather(
    frames: Iterable[Array], cfa: str | None, offset: tuple[float, ...] | None = None
) -> FrameSet:
    """Average equal frames and find each pixel's temporal variance from pairs of neighbours.

    Parameters
    ----------
    frames : (y, x), whole numbers or float, in order of time. The first and second make a pair,
        the third and fourth the next; of an odd number the last counts for the average only.
    cfa : colours of the top left 2 x 2, or None.
    offset : mean level without light by CFA position, ADU; needed for flats, whose second frame
        of a pair is scaled to the first, since twilight and lamps change. None: without light.

    Raises
    ------
    StepError
        There are fewer than two frames, or they differ in size.

    Notes
    -----
    Without light the estimate is the standard's: half the mean squared difference, less half the
    squared difference of the means. With light, r scales b to a, and

        (a - o - r (b - o))^2 / (1 + r^2)

    is an estimate of the variance at the signal s (1 + r) / (1 + r^2), s being a's, for noise
    that is the sum of a constant part and of one proportional to the signal.
    """
    total = temporal = before = None
    levels: list[float] = []
    signals: list[Array] = []
    for frame in frames:
        now = frame.astype(np.float64)
        if total is None or temporal is None:
            total, temporal = np.zeros_like(now), np.zeros_like(now)
        if now.shape != total.shape:
            raise StepError("frames of one set differ in size")
        levels.append(float(now.mean()))
        total += now
        if before is None:
            before = now
        else:
            signals.append(_pair(before, now, cfa, offset, temporal))
            before = None
    if not signals or total is None or temporal is None:
        raise StepError("a set needs two frames or more")
    return FrameSet(
        mean=total / len(levels),
        temporal=temporal / len(signals),
        levels=tuple(levels),
        signal=tuple(float(s) for s in np.mean(signals, axis=0)),
        pairs=len(signals),
        cfa=cfa,
    )


def _pair(
    first: Array, second: Array, cfa: str | None, offset: tuple[float, ...] | None, out: Array
) -> Array:
    """Add one pair's variance to `out`; the signal it belongs to, by CFA position."""
    pairs = zip(positions(first, cfa), positions(second, cfa), strict=True)
    means = [(a.mean(), b.mean()) for a, b in pairs]
    if offset is None:
        for rows, shift in _rows(first.shape, [a - b for a, b in means]):
            out[rows] += (first[rows] - second[rows] - shift) ** 2 / 2
        return np.zeros(len(means))
    lights = [(a - o, b - o) for (a, b), o in zip(means, offset, strict=True)]
    ratios = [a / b if b > 0 else 1.0 for a, b in lights]
    parts = [1 + ratio**2 for ratio in ratios]
    for rows, o, ratio, part in _rows(first.shape, offset, ratios, parts):
        out[rows] += (first[rows] - o - ratio * (second[rows] - o)) ** 2 / part
    return np.array(
        [a * (1 + r) / part for (a, _), r, part in zip(lights, ratios, parts, strict=True)]
    )


def _rows(shape: tuple[int, ...], *values: Sequence[float]) -> Iterator[tuple[Any, ...]]:
    """Some rows at a time, with values by CFA position laid along them, one for each column."""
    sides = 2 if len(values[0]) == 4 else 1
    for y in range(sides):
        along = [np.resize(each[y * sides : (y + 1) * sides], shape[1]) for each in values]
        for top in range(y, shape[0], _BAND):
            yield slice(top, top + _BAND - y, sides), *along
