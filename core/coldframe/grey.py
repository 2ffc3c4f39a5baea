"""What is grey: how strongly three colours answer to the same light, told by the picture."""

from __future__ import annotations

import numpy as np

from coldframe.frame import Array

SHARES = (20, 100, 500)
FEWEST = 20
AGREED = 0.9

EQUAL = (1.0, 1.0, 1.0)


def grey_response(steps: Array) -> tuple[float, float, float]:
    """Response to red, green and blue, green being 1.

    The stars of a field have all colours and are grey together (common practice, no source; it
    holds to some 20%). Steps of brightness from place to place follow the stars and not the sky,
    gradients or large nebulae. Of the largest steps in green, red by green and blue by green are
    taken, and medians weighted with the step in green.

    Parameters
    ----------
    steps : float64 (n, 3), differences in red, green and blue between neighbouring places.

    Returns
    -------
    Between 0.1 and 10. A twentieth of the steps is used; where stars are few, a hundredth or a
    five-hundredth. All 1 when nine tenths of none of these (20 steps at least) agree that red and
    blue rise with green, as in a picture of noise.
    """
    order = np.argsort(-np.abs(steps[:, 1]), kind="stable")
    for share in SHARES:
        most = len(steps) // share
        if most < FEWEST:
            break
        red, blue = (_ratio(steps[order[:most]], colour) for colour in (0, 2))
        if red is not None and blue is not None:
            return red, 1.0, blue
    return EQUAL


def _ratio(steps: Array, colour: int) -> float | None:
    """Weighted median of one colour by green; None when too many fall as green rises."""
    weight = np.abs(steps[:, 1])
    ratio = steps[:, colour] / np.where(weight > 0.0, steps[:, 1], 1.0)
    if weight[ratio > 0.0].sum() <= AGREED * weight.sum():
        return None
    order = np.argsort(ratio, kind="stable")
    middle = np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2.0)
    return min(max(float(ratio[order[middle]]), 0.1), 10.0)
