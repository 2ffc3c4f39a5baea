"""How deep a stack went, next to what its frames could give at best."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from coldframe.report.record import FrameRecord, ProductRecord


@dataclass(frozen=True, slots=True)
class NoiseFigures:
    """Noise of one stack and of its lights, in ADU; None where it was not measured.

    Notes
    -----
    N equal frames with independent noise average to 1/sqrt(N) of one frame's noise (the standard
    error of the mean). Frames of unequal noise sigma_i give at best
    (sum of 1/sigma_i^2)^(-1/2), reached by weights 1/sigma_i^2.

    References
    ----------
    Aitken, A. C. (1936), Proc. R. Soc. Edinburgh 55, 42-48 (inverse-variance weights).
    """

    stack: ProductRecord
    frames: int
    single: float | None  # median noise of the lights that went in
    stacked: float | None  # noise of the stack
    improvement: float | None  # one light's noise over the stack's
    best: float | None  # what inverse-variance weights would give

    @property
    def root_n(self) -> float:
        """The improvement that as many equal lights would give."""
        return math.sqrt(self.frames)

    @property
    def possible(self) -> float | None:
        """The improvement that the best weighted mean of these very lights would give."""
        return _ratio(self.single, self.best)

    @property
    def share(self) -> float | None:
        """The improvement as a fraction of what is possible; of sqrt(N) where that is not known."""
        return _ratio(self.improvement, self.possible or self.root_n)

    @property
    def over_best(self) -> float | None:
        """Noise of the stack over the best that its lights could give."""
        return _ratio(self.stacked, self.best)


def noise_figures(stack: ProductRecord, frames: Sequence[FrameRecord]) -> NoiseFigures:
    """The figures of one stack; `frames` are the run's lights, of which its own are picked.

    What the stacking step says of itself (measures "improvement" and "best_noise") goes before
    what follows from the lights' own noise. Noise after scaling to equal star flux
    ("matched_noise") goes before noise as it was read, since only then lights compare.
    """
    inside = set(stack.frames)
    used = [frame for frame in frames if frame.id in inside]
    noises = _noises(used, "matched_noise") or _noises(used, "noise") or []
    some = [n for n in noises if n is not None]
    single = median(some) if some else None
    stacked = _usable(stack.measures.get("noise"))
    best = _usable(stack.measures.get("best_noise"))
    if best is None and some and len(some) == len(noises):
        best = sum(n**-2 for n in some) ** -0.5
    improvement = _usable(stack.measures.get("improvement")) or _ratio(single, stacked)
    return NoiseFigures(stack, len(used), single, stacked, improvement, best)


def _noises(frames: Sequence[FrameRecord], name: str) -> list[float | None] | None:
    """The measure of each frame; None when no frame has it."""
    values = [_usable(frame.measures.get(name)) for frame in frames]
    return values if any(value is not None for value in values) else None


def _usable(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) and value > 0 else None


def _ratio(above: float | None, below: float | None) -> float | None:
    return above / below if above is not None and below else None
