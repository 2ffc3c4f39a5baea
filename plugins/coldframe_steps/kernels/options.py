"""How samples are judged, in words that are cheap to import."""

from __future__ import annotations

from dataclasses import dataclass

NONE, MIN_MAX, SIGMA_CLIP, WINSORISED, MAD_CLIP, ESD = range(6)
"""Codes of the rejection rules."""

REACH = 2
"""Around a high rejection, others are looked for in a square of (2 REACH + 1) pixels a side."""


@dataclass(frozen=True, slots=True)
class Rule:
    """A rejection rule with its options.

    code : one of the above. options : see `reject.keep_run`. alpha : for ESD.
    """

    code: int = NONE
    options: tuple[float, float, float] = (0.0, 0.0, 0.0)
    alpha: float = 0.05


@dataclass(frozen=True, slots=True)
class Softening:
    """Tolerance where the image is steep, as it is in stars.

    share : of the local contrast that a sample may be off by, as if it were one sigma.
    noise : sigma of the median of the samples (ADU); contrast that noise alone would make is none.

    Seeing and residuals of registration change a star's pixels from frame to frame in proportion
    to how steep the image is there. share^2 times the square of (maximum - minimum of the median
    over 3 x 3 pixels, less 5 noise) is added to the variance that samples are judged by, so that a
    star's core and skirts are not taken for outliers. Sky pixels are judged as ever.
    """

    share: float
    noise: float


def margin(grow: int, softening: Softening | None) -> int:
    """Rows above and below that `reduce_tile` must see beyond those it gets right."""
    return (grow + REACH if grow > 0 else 0) + (1 if softening is not None else 0)
