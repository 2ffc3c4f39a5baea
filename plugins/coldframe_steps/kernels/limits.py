"""For every pixel of a tile, the limits between which samples are kept.

Samples are gathered for LANES pixels side by side, matched, sorted together, and judged one pixel
at a time. What comes out are planes: the next pass (`accumulate`) compares every sample with them,
so that no mask of the tile's size need be held.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from coldframe.frame import Array
from coldframe_steps.kernels.network import LANES, sort_lanes
from coldframe_steps.kernels.options import ESD, SIGMA_CLIP
from coldframe_steps.kernels.reject import keep_run, middle
from coldframe_steps.kernels.samples import FAR, Limits, Samples, level, matched, usable


@njit(cache=True, nogil=True)
def _gather(samples: Samples, y: int, x0: int, block: Array, counts: Array) -> None:
    """Matched samples of up to LANES pixels of row y, from column x0, into block (n, LANES).

    Unusable samples become infinite, so that they sort to the end; `counts` tells the usable ones.
    """
    lanes = min(LANES, samples.data.shape[2] - x0)
    counts[:] = 0
    for f in range(samples.data.shape[0]):
        target = block[f]
        target[lanes:] = FAR
        if samples.weights[f] <= 0.0:
            target[:] = FAR
            continue
        values = samples.data[f, y, x0 : x0 + lanes]
        bits = samples.flags[f, y, x0 : x0 + lanes]
        scale, offset, slope = level(samples.match[f], samples.y0 + y)
        for lane in range(lanes):
            value = matched(values[lane], scale, offset, slope, x0 + lane)
            target[lane] = value if usable(value, bits[lane]) else FAR
        for lane in range(lanes):
            counts[lane] += np.int32(target[lane] != FAR)


@njit(cache=True, nogil=True)
def _lane_moments(block: Array, counts: Array, means: Array, squares: Array) -> None:
    """`reject.moments` of the first counts[lane] values of every lane, all lanes at once."""
    means[:] = 0.0
    squares[:] = 0.0
    for i in range(block.shape[0]):
        values = block[i]
        for lane in range(LANES):
            means[lane] += np.float64(values[lane]) if i < counts[lane] else 0.0
    for lane in range(LANES):
        means[lane] /= np.float64(max(counts[lane], np.int32(1)))
    for i in range(block.shape[0]):
        values = block[i]
        for lane in range(LANES):
            away = np.float64(values[lane]) - means[lane] if i < counts[lane] else 0.0
            squares[lane] += away * away


@njit(cache=True, nogil=True)
def _judge(
    block: Array,
    counts: Array,
    means: Array,
    squares: Array,
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
        m = counts[lane]
        if not todo[y, x]:
            continue
        a = 0
        b = m
        if m > 0:
            for i in range(m):
                values[i] = block[i, lane]
            a, b = keep_run(
                values,
                m,
                rule,
                means[lane],
                squares[lane],
                options,
                critical,
                np.float64(extra[y, x]),
            )
        first = a
        last = b
        while first > 0 and values[first - 1] == values[a]:
            first -= 1
        while last < m and values[last] == values[b - 1]:
            last += 1
        limits.low[y, x] = values[a] if m > 0 else FAR
        limits.high[y, x] = values[b - 1] if m > 0 else -FAR
        limits.median[y, x] = middle(values, a, b) if m > 0 else 0.0
        limits.skip_low[y, x] = a - first
        limits.skip_high[y, x] = last - b
        limits.cut[y, x] = b - a < m


@njit(cache=True, nogil=True)
def find_limits(
    samples: Samples,
    pairs: Array,
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
    pairs : from `network.comparators(n)`. rule, options, critical : see `reject.keep_run`.
    extra : float32 (h, w), variance (ADU^2) added to the samples' own.
    todo : bool (h, w), the pixels to judge; the others are left as they are.
    """
    n, height, width = samples.data.shape
    block = np.empty((n, LANES), np.float32)
    counts = np.empty(LANES, np.int32)
    means = np.zeros(LANES, np.float64)
    squares = np.zeros(LANES, np.float64)
    values = np.empty(n, np.float64)
    for y in range(height):
        for x0 in range(0, width, LANES):
            lanes = min(LANES, width - x0)
            if not todo[y, x0 : x0 + lanes].any():
                continue
            _gather(samples, y, x0, block, counts)
            sort_lanes(block, pairs)
            if rule in (SIGMA_CLIP, ESD):
                _lane_moments(block, counts, means, squares)
            _judge(
                block,
                counts,
                means,
                squares,
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
