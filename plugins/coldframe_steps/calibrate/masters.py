"""What the masters tell: hot pixels from the dark, shape and cold pixels from the flat."""

from __future__ import annotations

import logging
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from coldframe.errors import StepError
from coldframe.frame import UNUSABLE, Array, Flag, Frame
from coldframe_steps.calibrate.cache import MasterCache
from coldframe_steps.calibrate.neighbours import position, same_colour
from coldframe_steps.calibrate.robust import clipped_mean, grid_step, mad_sigma, sample
from coldframe_steps.kernels.pixels import EMPTY, local_median_at, readonly, stand_out

MOST_DEAD = 0.001
"""Sensors have a few dead pixels; a flat with more than this share is no flat."""

NEAR_WHITE = 0.95
"""Response bends near the white level; a flat should stay below this share of it."""

QUANTISATION = 1 / math.sqrt(12)
"""Sigma of rounding to whole ADU, the least noise a frame can have (EMVA 1288)."""

_cache = MasterCache(12)


@dataclass(frozen=True, slots=True)
class HotPixels:
    """Pixels of a master dark that stand above their same-colour neighbours.

    index : int64 (n,), places in the flattened frame. excess : float32 (n,), ADU above the
    neighbours' median. sigma : robust sigma of that difference over the frame, ADU.
    """

    index: Array
    excess: Array
    sigma: float


@dataclass(frozen=True, slots=True)
class FlatShape:
    """A master flat's level by colour and its cold pixels.

    level : float32 (4,), ADU by CFA position. colours : the same by name. cold : int64 (n,),
    places in the flattened frame.
    """

    level: Array
    colours: Mapping[str, float]
    cold: Array


def hot_pixels(dark: Frame, bias: Frame | None, cfa: str | None, threshold: float) -> HotPixels:
    """Pixels whose dark signal exceeds that of their neighbours by `threshold` robust sigmas.

    Each position of the CFA pattern has its own median and sigma, since channels of a sensor may
    differ in offset. Source: common practice; sigma from the median absolute deviation.
    """
    base = None if bias is None else bias.data
    return _cache.get(
        [dark.data, dark.flags, base],
        ("hot", cfa, threshold),
        lambda: _hot(dark, base, cfa, threshold),
    )


def _hot(dark: Frame, base: Array | None, cfa: str | None, threshold: float) -> HotPixels:
    look = Neighbourhood(dark.data, base, dark.flags, int(UNUSABLE), cfa)
    found = excesses_above(look, dark.shape, threshold)
    known = np.flatnonzero((dark.flags & np.uint8(Flag.HOT)) != 0)
    index = np.union1d(known, found.index)
    index = index[(dark.flags.ravel()[index] & np.uint8(UNUSABLE)) == 0]
    return HotPixels(index, look.excess(index)[0], found.sigma)


def excesses_above(look: Neighbourhood, shape: tuple[int, int], threshold: float) -> HotPixels:
    """Pixels that stand above their neighbours by `threshold` robust sigmas, see `hot_pixels`."""
    amount, sigmas = np.zeros(4, np.float32), []
    for p in range(4):
        excess, _ = look.excess(_some_of(shape, p))
        middle, sigma = mad_sigma(excess)
        sigmas.append(sigma or QUANTISATION)
        amount[p] = middle + threshold * sigmas[-1]
    index = np.flatnonzero(look.stand_out(1.0, amount))
    excess, _ = look.excess(index)
    y, x = np.divmod(index, shape[1])
    found = excess > amount[(y & 1) * 2 + (x & 1)]
    return HotPixels(index[found], excess[found], float(np.mean(sigmas)))


class Neighbourhood:
    """An image (less a base) and the same-colour neighbours of its pixels."""

    def __init__(
        self, image: Array, base: Array | None, flags: Array, bad: int, cfa: str | None
    ) -> None:
        self._image = readonly(image)
        self._base = base
        self._args = (
            self._image,
            EMPTY if base is None else readonly(base),
            base is not None,
            readonly(flags, np.uint8),
            bad,
            readonly(same_colour(cfa), np.int32),
        )

    def excess(self, index: Array) -> tuple[Array, Array]:
        """Value less median of the neighbours, and that median."""
        around, _ = local_median_at(*self._args, readonly(index, np.int64))
        value = self._image.ravel()[index]
        if self._base is not None:
            value = value - self._base.ravel()[index]
        return value - around, around

    def stand_out(self, factor: float, amount: Array, below: bool = False) -> Array:
        return stand_out(*self._args, factor, readonly(amount), below).view(np.bool_)


def _some_of(shape: tuple[int, int], p: int, most: int = 60_000) -> Array:
    """Places of pixels at one CFA position, on a regular grid over the frame."""
    rows, columns = (np.arange(n)[part] for n, part in zip(shape, position(p), strict=True))
    step = grid_step(rows.size * columns.size, most)
    places: Array = rows[::step, np.newaxis] * shape[1] + columns[::step]
    return places.ravel()


def flat_shape(flat: Frame, cfa: str | None, threshold: float, log: logging.Logger) -> FlatShape:
    """A flat's level by colour, so that dividing by it corrects shape and not colour.

    The level is the clipped mean of the central half by height and width; both greens of a CFA
    share one (common practice, no source). A pixel is cold when it is below `threshold` times
    its same-colour neighbours, or not positive.

    Raises
    ------
    StepError
        More than 0.1% of the pixels are at or below zero, the flat is near saturation, or its
        bias was never subtracted.
    """
    return _cache.get(
        [flat.data, flat.flags],
        ("flat", cfa, threshold, flat.info.black, flat.info.white),
        lambda: _shape(flat, cfa, threshold, log),
    )


def _shape(flat: Frame, cfa: str | None, threshold: float, log: logging.Logger) -> FlatShape:
    image = readonly(flat.data)
    dead = ~(image > 0)  # NaN is dead too
    name = f"master flat {flat.info.label}"
    if dead.mean() > MOST_DEAD:
        raise StepError(
            f"{name} has {int(dead.sum())} of {dead.size} pixels at or below zero "
            f"({dead.mean():.1%}); a flat must be well above its bias everywhere: "
            "check its exposure and which bias or dark flat was taken from it"
        )
    if flat.info.black is None:  # once for each master, however many lights it serves
        log.warning("%s: nothing says that its offset was subtracted", name)
    elif any(flat.info.black):
        raise StepError(
            f"{name} still has its bias in it (black level {max(flat.info.black):g} ADU): "
            "calibrate the flats with a bias or dark flat before combining them"
        )
    problem = near_saturation(flat)
    if problem:
        raise StepError(f"{name} {problem}: shoot flats with a shorter exposure")
    colours = _levels(image, cfa)
    names = cfa or "MMMM"
    level = np.array([colours[c] for c in names], np.float32)
    cold = np.flatnonzero(dead)
    if threshold > 0:
        look = Neighbourhood(flat.data, None, dead, 1, cfa)
        index = np.flatnonzero(look.stand_out(1 / threshold, np.zeros(4, np.float32), below=True))
        excess, around = look.excess(index)
        cold = np.union1d(cold, index[excess + around < np.float32(threshold) * around])
    return FlatShape(level, colours, cold)


def near_saturation(flat: Frame) -> str:
    """What is wrong when a flat's brightest parts reach the white level, else nothing."""
    share = float(np.mean((sample(flat.flags) & Flag.SATURATED) != 0))
    if share > 0.01:
        return f"is saturated in {share:.1%} of its pixels"
    if flat.info.white is None:
        return ""
    bright = float(np.nanpercentile(sample(flat.data), 99))
    if bright < NEAR_WHITE * flat.info.white:
        return ""
    return (
        f"is near saturation (brightest hundredth at {bright:.0f} ADU, "
        f"white level {flat.info.white:.0f} ADU)"
    )


def _levels(image: Array, cfa: str | None) -> dict[str, float]:
    height, width = image.shape
    # The cut is at even places, so that the middle has the frame's CFA pattern.
    y0, x0 = height // 8 * 2, width // 8 * 2
    middle = image[y0 : max(y0 + 2, height - y0), x0 : max(x0 + 2, width - x0)]
    names = cfa or "MMMM"
    out = {}
    for colour in dict.fromkeys(names):
        parts = [sample(middle[position(p)]).ravel() for p in range(4) if names[p] == colour]
        out[colour] = clipped_mean(np.concatenate(parts))
    return out
