"""Which samples are sky: what stands above a smooth surface is stars, nebula or the target."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import ndimage

from coldframe.frame import Array
from coldframe_steps.background.sampling import Samples
from coldframe_steps.background.surfaces import (
    Polynomial,
    design_matrix,
    least_squares,
    plane_terms,
    robust_fit,
)

ROUNDS = 40
BELOW = 5.0
"""Samples this many sigmas below those around them are no sky either (a dark rim)."""

WINDOWS = (3, 5)
"""Side, in samples, of the windows that extended structure is looked for in."""

FAINTEST = 0.25
"""Sigma of a window's median in units of a sample's noise, at least: the crowding of faint stars
varies by this much from place to place, and what is fainter nobody sees."""

CLOUD = 9
"""So many adjoining samples of structure are no chance and no star, and are kept away from."""

MOST_LENIENT = 20.0
"""Limits are raised up to this much where too few samples would be left."""

LEAST = 0.2
"""Rejection never goes below this share of the samples."""


def fewest(order: int) -> int:
    """How many samples a surface of this order needs to be more than a guess."""
    return 3 * len(plane_terms(order))


def sky_samples(samples: Samples, order: int, protect: float, excluded: Array) -> Array:
    """Tell sky from what lies in front of it.

    Parameters
    ----------
    samples : sky in boxes. order : of the polynomial that sky is taken to follow.
    protect : 0 leaves out single samples only that stand out from those around them, as bright
        stars do; up to 1, ever fainter extended structure is found, and ever more around it.
    excluded : bool (m, n), samples that are not sky whatever their value.

    Returns
    -------
    bool (m, n), the same for all colours.

    Notes
    -----
    Nebula only brightens, so it is looked for on one side. The surface begins as a least
    trimmed squares fit (Rousseeuw 1984, J. Am. Stat. Assoc. 79, 871: half of the samples may be
    off) grown from the lower envelope (asymmetric least squares: Newey & Powell 1987,
    Econometrica 55, 819), first a plane, then order by order, since a stiff surface cannot bend
    into a nebula. All samples are judged anew each round. Extended structure is found by the
    median of 3 x 3 and 5 x 5 samples, far below the noise of one sample.
    """
    start = samples.usable & ~excluded
    noise = sample_noise(samples, start)
    least = max(fewest(order), round(LEAST * start.sum()))

    # The three ways below soon take the same samples for sky.
    @cache
    def maps(taken: bytes, stage: int) -> list[Maps]:
        sky = np.frombuffer(taken, bool).reshape(start.shape)
        return _maps(_residuals(samples, sky, stage), noise, start, sky)

    def settle(sky: Array, stages: range) -> tuple[float, int, Array]:
        leniency = 1.0
        for stage in stages:
            seen: set[bytes] = set()
            for _ in range(ROUNDS):
                found = maps(sky.tobytes(), stage)
                judged = _judge(found, start, protect, leniency)
                while judged.sum() < least and leniency < MOST_LENIENT:
                    leniency *= 1.5
                    judged = _judge(found, start, protect, leniency)
                if judged.sum() < least or judged.tobytes() in seen:
                    break
                seen.add(judged.tobytes())
                sky = judged
        return -leniency, int(sky.sum()), sky

    # Three beginnings; the one that finds most samples to be the same smooth sky is right.
    found = [
        settle(_lower_half(samples, start), range(1, order + 1)),
        settle(start, range(min(2, order), order + 1)),
        settle(start, range(order, order + 1)),
    ]
    return max(found, key=lambda one: one[:2])[2]


def sample_noise(samples: Samples, start: Array) -> Array:
    """Scatter of samples about a smooth surface, by second differences: (c,) ADU.

    Slopes cancel, whatever they are, and so does nebula that is smooth from sample to sample.
    The second difference of three independent values has 6 times their variance.
    """
    out = np.empty(samples.sky.shape[0])
    inner = start[:, 1:-1] & start[:, :-2] & start[:, 2:]
    for channel, sky in enumerate(samples.sky):
        bend = (sky[:, :-2] - 2 * sky[:, 1:-1] + sky[:, 2:])[inner]
        seen = 1.4826 * float(np.median(np.abs(bend))) / np.sqrt(6) if bend.size else 0.0
        out[channel] = max(seen, float(np.median(samples.error[channel][start])), 1e-12)
    return out


def _lower_half(samples: Samples, start: Array) -> Array:
    """The half of the samples that agree best with a plane below them, in all colours."""
    y, x = samples.y[start], samples.x[start]
    design = design_matrix(y, x, 1)
    distance = np.zeros(y.size)
    for values in samples.sky[:, start]:
        weights = np.ones(y.size)
        for _ in range(15):
            residual = values - design @ least_squares(design, values, weights)
            weights = np.where(residual > 0, 0.1, 0.9)
        best = _shortest_half(residual)
        for _ in range(15):
            residual = values - design @ least_squares(design, values, best.astype(float))
            best = _shortest_half(residual)
        middle = np.mean(residual[best])
        scale = max(np.std(residual[best]), 1e-12)
        distance = np.maximum(distance, np.abs(residual - middle) / scale)
    sky = np.zeros_like(start)
    sky[start] = distance <= np.median(distance)
    return sky


def _shortest_half(residual: Array) -> Array:
    """The half of the values that lie closest together."""
    order = np.argsort(residual, kind="stable")
    half = residual.size // 2 + 1
    spans = residual[order][half - 1 :] - residual[order][: residual.size - half + 1]
    first = int(np.argmin(spans))
    inside = np.zeros(residual.size, bool)
    inside[order[first : first + half]] = True
    return inside


def _residuals(samples: Samples, sky: Array, order: int) -> Array:
    """Every sample less the surface through those taken for sky: (c, m, n)."""
    y, x = samples.y[sky], samples.x[sky]
    design = design_matrix(y, x, order)
    out = np.empty_like(samples.sky)
    for channel, values in enumerate(samples.sky):
        weights, _ = robust_fit(
            lambda w, v=values[sky]: Polynomial.solve(design, v, w, order).at(y, x),  # type: ignore[misc]
            values[sky],
            np.ones(y.size),
        )
        surface = Polynomial.solve(design, values[sky], weights, order)
        out[channel] = values - surface.at(samples.y, samples.x)
    return out


@dataclass(frozen=True, slots=True)
class Maps:
    """How samples stand out in one colour, or in all: float64 (m, n), in sigmas.

    alone : above those around them. windows : medians of windows, by how much they vary.
    """

    alone: Array
    windows: list[Array]


def _maps(residual: Array, noise: Array, start: Array, sky: Array) -> list[Maps]:
    maps = [(r - np.median(r[sky])) / sigma for r, sigma in zip(residual, noise, strict=True)]
    if len(maps) > 1:
        maps.append(np.sum(maps, axis=0) / np.sqrt(len(maps)))
    middles = [window_medians(np.stack(maps), start, window) for window in WINDOWS]
    return [
        Maps(z - middles[-1][k], [_in_sigmas(middle[k], sky) for middle in middles])
        for k, z in enumerate(maps)
    ]


def _judge(maps: Sequence[Maps], start: Array, protect: float, leniency: float) -> Array:
    off = np.zeros_like(start)
    structure = np.zeros_like(start)
    for one in maps:
        off |= one.alone > leniency * (4.0 - 2.0 * protect)
        off |= one.alone < -leniency * BELOW
        if protect > 0:
            for window in one.windows:
                structure |= window > leniency * (4.0 - 1.5 * protect)
    return start & ~off & ~_grown(structure, 1 + round(2 * protect))


def _grown(structure: Array, steps: int) -> Array:
    """Structure with its surroundings; a few samples alone may be chance and stay as they are."""
    square = ndimage.generate_binary_structure(2, 2)
    labels, count = ndimage.label(structure, square)
    sizes = np.bincount(labels.ravel(), minlength=count + 1)
    sizes[0] = 0
    out = structure.copy()
    for step in range(1, steps + 1):
        # The larger a cloud, the further its faint rim may reach.
        large = sizes[labels] >= CLOUD * step * step
        out |= ndimage.binary_dilation(large, square, iterations=step)
    return out


def window_medians(maps: Array, start: Array, window: int) -> Array:
    """Median of the samples in a window around each, in maps (k, m, n): single stars do not move it.

    0 where there are hardly any samples.
    """
    reach = window // 2
    around = ((0, 0), (reach, reach), (reach, reach))
    padded = np.pad(np.where(start, maps, np.inf), around, constant_values=np.inf)
    windows = np.lib.stride_tricks.sliding_window_view(padded, (window, window), axis=(1, 2))
    # What is no sample comes last.
    ordered = np.sort(windows.reshape(*maps.shape, window * window), axis=3)
    count = np.isfinite(ordered).sum(axis=3, keepdims=True)
    last = np.take_along_axis(ordered, count // 2, axis=3)
    first = np.take_along_axis(ordered, np.maximum(count - 1, 0) // 2, axis=3)
    out: Array = np.where(count >= window, (first + last) / 2, 0.0)[..., 0]
    return out


def _in_sigmas(middle: Array, sky: Array) -> Array:
    """Window medians in units of how much they vary where there is sky."""
    inside = middle[sky]
    spread = 1.4826 * float(np.median(np.abs(inside - np.median(inside))))
    out: Array = middle / max(spread, FAINTEST)
    return out
