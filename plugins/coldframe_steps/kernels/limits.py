"""For every pixel of a tile, the limits between which samples are kept.

Samples are gathered for LANES pixels side by side, matched, sorted together, and judged one pixel
at a time. What comes out are planes: the next pass (`accumulate`) compares every sample with them,
so that no mask of the tile's size need be held.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from coldframe.frame import Array
from coldframe_steps.kernels.lanes import first_look
from coldframe_steps.kernels.network import LANES, sort_lanes
from coldframe_steps.kernels.options import INNER, MAD_CLIP, NONE, SIGMA_CLIP, WINSORISED
from coldframe_steps.kernels.reject import keep_run, middle
from coldframe_steps.kernels.samples import FAR, Limits, Samples, level, matched, usable


@njit(**INNER)
def _gather(samples: Samples, y: int, x0: int, block: Array, counts: Array) -> None:
    """Matched samples of up to LANES pixels of row y, from column x0, into block (n, LANES).

    Unusable samples become infinite, so that they sort to the end; `counts` tells the usable ones.
    """
    lanes = min(LANES, samples.data.shape[2] - x0)
    for lane in range(LANES):
        counts[lane] = 0
    for f in range(samples.data.shape[0]):
        target = block[f]
        taken = lanes if samples.weights[f] > 0.0 else 0
        for lane in range(taken, LANES):
            target[lane] = FAR
        values = samples.data[f, y, x0 : x0 + lanes]
        bits = samples.flags[f, y, x0 : x0 + lanes]
        scale, offset, slope = level(samples.match[f], samples.y0 + y)
        for lane in range(taken):
            value = matched(values[lane], scale, offset, slope, x0 + lane)
            target[lane] = value if usable(value, bits[lane]) else FAR
        for lane in range(LANES):
            counts[lane] += np.int32(target[lane] != FAR)


@njit(**INNER)
def _nothing_to_reject(
    rule: int,
    lowest: float,
    highest: float,
    centre: float,
    spread: float,
    options: Array,
    extra: float,
) -> bool:
    """Whether a rule's first look is enough to see that it keeps everything."""
    if rule in (SIGMA_CLIP, WINSORISED, MAD_CLIP):
        sigma = math.sqrt(spread * spread + extra) if extra > 0.0 else spread
        low = centre - options[0] * sigma
        high = centre + options[1] * sigma
        return low <= lowest and highest <= high
    return rule == NONE


@njit(**INNER)
def _judge(
    block: Array,
    counts: Array,
    centres: Array,
    spreads: Array,
    rule: int,
    options: Array,
    critical: Array,
    extra: Array,
    todo: Array,
    values: Array,
    y: int,
    x0: int,
    limits: Limits,
) -> None:
    """Write the limits of LANES pixels of row y, from the sorted block (n, LANES)."""
    for lane in range(min(LANES, todo.shape[1] - x0)):
        x = x0 + lane
        m = np.int64(counts[lane])
        if not todo[y, x]:
            continue
        limits.skip_low[y, x] = 0
        limits.skip_high[y, x] = 0
        limits.cut[y, x] = False
        if m == 0:
            limits.low[y, x] = FAR
            limits.high[y, x] = -FAR
            limits.median[y, x] = 0.0
            continue
        more = np.float64(extra[y, x])
        lowest = block[0, lane]
        highest = block[m - 1, lane]
        if _nothing_to_reject(rule, lowest, highest, centres[lane], spreads[lane], options, more):
            limits.low[y, x] = lowest
            limits.high[y, x] = highest
            half = np.float64(block[m // 2, lane])
            limits.median[y, x] = 0.5 * (half + np.float64(block[(m - 1) // 2, lane]))
            continue
        for i in range(m):
            values[i] = block[i, lane]
        a, b = keep_run(values, m, rule, centres[lane], spreads[lane], options, critical, more)
        first = a
        while first > 0 and values[first - 1] == values[a]:
            first -= 1
        last = b
        while last < m and values[last] == values[b - 1]:
            last += 1
        limits.low[y, x] = values[a]
        limits.high[y, x] = values[b - 1]
        limits.median[y, x] = middle(values, a, b)
        limits.skip_low[y, x] = a - first
        limits.skip_high[y, x] = last - b
        limits.cut[y, x] = b - a < m


@njit(cache=True, nogil=True)
def find_limits(
    samples: Samples,
    pairs: Array,
    merging: Array,
    rule: int,
    options: Array,
    critical: Array,
    extra: Array,
    todo: Array,
    limits: Limits,
) -> None:
    """Judge the pixels of a tile and write `limits`.

    Parameters
    ----------
    pairs, merging : from `network.comparators(n)` and `merging_comparators(n)`. rule, options, critical : see `reject.keep_run`.
    extra : float32 (h, w), variance (ADU^2) added to the samples' own.
    todo : bool (h, w), the pixels to judge; the others are left as they are.
    """
    n, height, width = samples.data.shape
    block = np.empty((n, LANES), np.float32)
    counts = np.empty(LANES, np.int32)
    centres = np.zeros(LANES, np.float64)
    spreads = np.zeros(LANES, np.float64)
    work = np.empty((6, LANES), np.float64)
    away = np.empty((n, LANES), np.float32)
    values = np.empty(n, np.float64)
    for y in range(height):
        for x0 in range(0, width, LANES):
            some = False
            for x in range(x0, min(x0 + LANES, width)):
                some |= todo[y, x]
            if not some:
                continue
            _gather(samples, y, x0, block, counts)
            sort_lanes(block, pairs)
            first_look(block, counts, rule, merging, away, values, centres, spreads, work)
            _judge(
                block,
                counts,
                centres,
                spreads,
                rule,
                options,
                critical,
                extra,
                todo,
                values,
                y,
                x0,
                limits,
            )
