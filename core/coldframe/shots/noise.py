"""How many calibration frames are worth shooting, from the noise that their master adds.

A stack of N lights, each of variance v, has the variance v / N. A master of M frames of variance u
is subtracted from each of them. Where the field stays put on the sensor the same pixel of the
master meets the same pixel of the sky every time, so its variance u / M stays; where the lights
lie at P different places, it is averaged down to u / (M P). With the ratio r = u / v the stack's
noise is raised by

    sqrt(1 + r N / (M P)) - 1

Source: variance of sums and means of independent errors (JCGM 100:2008, Guide to the expression
of uncertainty in measurement, 5.1.2).
"""

from __future__ import annotations

import math


def added_noise(ratio: float, lights: int, frames: int, positions: int = 1) -> float:
    """By which fraction a master of so many frames raises a stack's noise; infinite for none."""
    if frames <= 0:
        return math.inf
    return math.sqrt(1 + ratio * lights / (frames * positions)) - 1


def frames_for(ratio: float, lights: int, share: float, positions: int = 1) -> int:
    """The fewest frames whose master raises the noise by no more than `share`; at least one."""
    return max(1, math.ceil(ratio * lights / (positions * ((1 + share) ** 2 - 1)) - 1e-9))


def offset_ratio(frame_variance: float, light_variance: float) -> float:
    """r of darks and bias: the variance of one over that of a light, both in ADU^2."""
    return frame_variance / light_variance


def flat_ratio(
    flat_variance: float, flat_signal: float, light_level: float, light_variance: float
) -> float:
    """r of flats, and of what is subtracted from them.

    Dividing by a flat of relative noise s / F adds s / F times the light's level above the
    offset (ADU) to the light's noise. flat_variance : of the flat, or of the dark flat or bias
    that is taken off it, ADU^2.
    """
    return light_level**2 * flat_variance / flat_signal**2 / light_variance


def together(parts: list[float]) -> float:
    """Added noise of several masters from each one's own: their variances add up."""
    return math.sqrt(1 + sum((1 + part) ** 2 - 1 for part in parts)) - 1
