"""Centre and spread of many pixels' samples at once: what the rules of `reject` start from."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from coldframe.frame import Array
from coldframe_steps.kernels.network import LANES, sort_lanes
from coldframe_steps.kernels.options import ESD, INNER, MAD_CLIP, SIGMA_CLIP, WINSORISED
from coldframe_steps.kernels.reject import (
    MAD_TO_SIGMA,
    STILL,
    robust_moments,
    robust_step,
    scaled_deviation,
)

TURNS = 5
"""Turns of the winsorised moments that all lanes take together; 9 in 10 need no more."""


@njit(**INNER)
def _moments(block: Array, counts: Array, means: Array, squares: Array) -> None:
    """`reject.moments` of the first counts[lane] values of every lane, in the same order."""
    for lane in range(LANES):
        means[lane] = 0.0
        squares[lane] = 0.0
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


@njit(**INNER)
def _start_robust(
    block: Array,
    counts: Array,
    pairs: Array,
    away: Array,
    values: Array,
    centres: Array,
    sigmas: Array,
) -> None:
    """Median and `reject.scaled_deviation` of every lane; distances in float32 are close enough."""
    for lane in range(LANES):
        m = counts[lane]
        centres[lane] = 0.0
        if m > 0:
            half = np.float64(block[m // 2, lane])
            centres[lane] = 0.5 * (half + np.float64(block[(m - 1) // 2, lane]))
    for i in range(block.shape[0]):
        near = block[i]
        far = away[i]
        for lane in range(LANES):
            far[lane] = np.float32(abs(np.float64(near[lane]) - centres[lane]))
    sort_lanes(away, pairs)
    for lane in range(LANES):
        m = np.int64(counts[lane])
        sigmas[lane] = 0.0
        if m > 0:
            half = np.float64(away[m // 2, lane])
            sigmas[lane] = 0.5 * MAD_TO_SIGMA * (half + np.float64(away[(m - 1) // 2, lane]))
        if m > 0 and sigmas[lane] == 0.0:
            for i in range(m):
                values[i] = block[i, lane]
            sigmas[lane] = scaled_deviation(values, np.int64(0), m, centres[lane])


@njit(**INNER)
def _robust_sums(
    block: Array,
    counts: Array,
    centres: Array,
    sigmas: Array,
    shifts: Array,
    totals: Array,
    squares: Array,
    inside: Array,
    under: Array,
) -> None:
    """What `reject.robust_step` needs to know of every lane."""
    for lane in range(LANES):
        totals[lane] = 0.0
        squares[lane] = 0.0
        inside[lane] = 0.0
        under[lane] = 0.0
    for i in range(block.shape[0]):
        values = block[i]
        for lane in range(LANES):
            away = np.float64(values[lane]) - centres[lane]
            below = away < shifts[lane] - 1.5 * sigmas[lane]
            keep = (away <= shifts[lane] + 1.5 * sigmas[lane]) & (not below)
            keep = keep & (i < counts[lane])
            away = away if keep else 0.0
            totals[lane] += away
            squares[lane] += away * away
            inside[lane] += 1.0 if keep else 0.0
            under[lane] += 1.0 if below else 0.0


@njit(error_model="numpy", **INNER)
def _robust_steps(work: Array, counts: Array, sigmas: Array) -> float:
    """`reject.robust_step` of every lane that moves; how many still do. work as in `_robust`."""
    shifts, totals, squares = work[0], work[1], work[2]
    inside, under, moving = work[3], work[4], work[5]
    for lane in range(LANES):
        over = counts[lane] - inside[lane] - under[lane]
        mean, sigma = robust_step(
            totals[lane],
            squares[lane],
            inside[lane],
            under[lane],
            over,
            shifts[lane],
            sigmas[lane],
            True,
        )
        moved = abs(mean - shifts[lane]) + abs(sigma - sigmas[lane])
        go = moving[lane] > 0.0
        shifts[lane] = mean if go else shifts[lane]
        sigmas[lane] = sigma if go else sigmas[lane]
        moving[lane] = 1.0 if go & (moved > STILL * sigma) else 0.0
    some = 0.0
    for lane in range(LANES):
        some += moving[lane]
    return some


@njit(**INNER)
def _robust(
    block: Array, counts: Array, values: Array, centres: Array, sigmas: Array, work: Array
) -> None:
    """`reject.robust_moments` of every lane, from the median and scaled deviation on entry.

    A lane that has come to rest is left alone, so that no lane depends on its neighbours. The few
    that need many turns are worked out one by one.
    work : float64 (6, LANES).
    """
    shifts, totals, squares = work[0], work[1], work[2]
    inside, under, moving = work[3], work[4], work[5]
    for lane in range(LANES):
        shifts[lane] = 0.0
        moving[lane] = 1.0 if counts[lane] >= 3 and sigmas[lane] > 0.0 else 0.0
    for _ in range(TURNS):
        _robust_sums(block, counts, centres, sigmas, shifts, totals, squares, inside, under)
        if _robust_steps(work, counts, sigmas) == 0.0:
            break
    for lane in range(LANES):
        centres[lane] += shifts[lane]
        if moving[lane] > 0.0:
            m = np.int64(counts[lane])
            for i in range(m):
                values[i] = block[i, lane]
            centres[lane], sigmas[lane] = robust_moments(values, np.int64(0), m)


@njit(**INNER)
def first_look(
    block: Array,
    counts: Array,
    rule: int,
    pairs: Array,
    away: Array,
    values: Array,
    centres: Array,
    spreads: Array,
    work: Array,
) -> None:
    """Write what a rule first asks about each lane of the sorted block, float32 (n, LANES).

    counts : int32 (LANES,), usable samples. pairs : from `network.merging_comparators(n)`.
    centres, spreads : float64 (LANES,), written: median and standard deviation for SIGMA_CLIP,
    median and scaled deviation for MAD_CLIP, robust moments for WINSORISED, and mean and sum of
    squares about it for ESD.
    away, values, work : scratch, float32 (n, LANES), float64 (n,) and (6, LANES).
    """
    if rule in (SIGMA_CLIP, ESD):
        _moments(block, counts, centres, spreads)
    elif rule == WINSORISED:
        _start_robust(block, counts, pairs, away, values, centres, spreads)
        _robust(block, counts, values, centres, spreads, work)
    if rule not in (SIGMA_CLIP, MAD_CLIP):
        return
    for lane in range(LANES):
        m = np.int64(counts[lane])
        if m == 0:
            continue
        half = np.float64(block[m // 2, lane])
        centres[lane] = 0.5 * (half + np.float64(block[(m - 1) // 2, lane]))
        if rule == SIGMA_CLIP:
            spreads[lane] = math.sqrt(spreads[lane] / m)
            continue
        for i in range(m):
            values[i] = block[i, lane]
        spreads[lane] = scaled_deviation(values, np.int64(0), m, centres[lane])
