"""Goes over the pixels of a tile: a quick look at all, a thorough one at those that need it.

Most pixels have nothing to reject. `_look` finds that out for WIDE neighbours at once, and then has
their mean too. The others, one here and one there, wait in `Room` until WIDE are together, so
that the thorough look works on full vectors as well. What a pixel is given depends on its own
samples alone.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from coldframe.frame import Array
from coldframe_steps.kernels.accumulate import (
    ABOVE,
    BELOW,
    HIGH,
    KEPT,
    LESS,
    LOW,
    MEDIAN,
    MORE,
    Tally,
    finish,
    kept_in_lane,
    kept_sums,
    write_lanes,
)
from coldframe_steps.kernels.lanes import Lanes, run_deviation, run_median, run_robust
from coldframe_steps.kernels.network import empty_block, sort_lanes
from coldframe_steps.kernels.options import (
    BARE,
    ENTRY,
    ESD,
    MAD_CLIP,
    MIN_MAX,
    NONE,
    SIGMA_CLIP,
    WINSORISED,
)
from coldframe_steps.kernels.reject import extreme_deviates, keep_run
from coldframe_steps.kernels.samples import (
    FAR,
    HUGE,
    Planes,
    Samples,
    gather,
)
from coldframe_steps.kernels.simd import (
    EVERY,
    WIDE,
    f32,
    f64,
    i32,
    i64,
    lanes_of,
    load,
    prefetch,
    sqrt,
    store,
    take,
    u8,
    u16,
    where,
)

STRIP = 512
"""Pixels of a row that are read from each frame in turn."""

PITCH = STRIP + WIDE
"""Floats from one frame's strip to the next. Were it a power of 2, all frames' samples of a pixel
would compete for the same few places of the cache."""

GLANCES = 5
"""Turns of the winsorised moments that a quick look makes."""


class Plan(NamedTuple):
    """How to judge and combine.

    rule, options, critical : see `reject.keep_run`. pairs, merging : from `network.sorting_steps(n)`
    and `merging_steps(n)`; few_pairs, few_merging : the same with median_only.
    middle : whether medians are asked for.
    median_factor : float64 (n + 1,), variance of the median over that of the mean, by samples; or
    (0,) to give the mean. everything, expected, weighted : sums of w, w r and w^2 r over all
    frames, see `accumulate.Tally`.
    """

    rule: int
    options: Array
    critical: Array
    pairs: Array
    merging: Array
    few_pairs: Array
    few_merging: Array
    middle: bool
    median_factor: Array
    everything: float
    expected: float
    weighted: float


class Room(NamedTuple):
    """Pixels that wait for the thorough look, one to a lane, and room to work in.

    raw, ordered, away : blocks. flags, gone : uint8 (n, WIDE); gone marks samples that lie in grown
    trails, (0, WIDE) for none. extra : float64 (WIDE,), see `reject`. places : int64 (WIDE,), flat
    places of the pixels. special : bool (WIDE,), whether flags or `gone` have to be looked at.
    strip : float32 (n, PITCH); seen, again : uint8 (STRIP,), see `samples.gather`.
    """

    raw: Array
    ordered: Array
    away: Array
    flags: Array
    gone: Array
    extra: Array
    places: Array
    special: Array
    strip: Array
    seen: Array
    again: Array
    tally: Tally

    @classmethod
    def empty(cls, n: int, rows: int, trails: bool) -> Room:
        """Nobody waiting."""
        ordered, away = empty_block(rows), empty_block(rows)
        ordered[n:] = FAR
        away[n:] = FAR
        return cls(
            raw=empty_block(n),
            ordered=ordered,
            away=away,
            flags=np.empty((n, WIDE), np.uint8),
            gone=np.empty((n if trails else 0, WIDE), np.uint8),
            extra=np.empty(WIDE),
            places=np.empty(WIDE, np.int64),
            special=np.empty(WIDE, np.bool_),
            strip=np.empty((n, PITCH), np.float32),
            seen=np.empty(STRIP, np.uint8),
            again=np.empty(STRIP, np.uint8),
            tally=Tally.empty(),
        )


@njit(**BARE)
def _look_closely(samples: Samples, plan: Plan, room: Room, count: int, planes: Planes) -> None:
    """Judge and combine the `count` pixels that wait."""
    weights, noises, n = samples.weights, samples.noise, samples.frames.size
    raw, block, tally = room.raw, room.ordered, room.tally
    limits, counts, bits = tally.limits, tally.counts, tally.bits
    flags, gone, special = room.flags, room.gone, room.special
    for lane in range(count, WIDE):
        for j in range(n):
            raw[j, lane] = FAR
    m = i32(0)
    for j in range(n):
        value = load(raw, j * WIDE)
        store(block, j * WIDE, value)
        m = m + i32(value < f32(FAR))
    sort_lanes(block, plan.pairs)
    a, b = keep_run(
        block,
        n,
        m,
        plan.rule,
        plan.options,
        plan.critical,
        load(room.extra, 0),
        plan.merging,
        room.away,
    )
    some = m > i32(0)
    last = where(some, b - i32(1), a)
    store(limits, LOW * WIDE, where(some, take(block, a), f32(FAR)))
    high = where(some, take(block, last), f32(-FAR))
    store(limits, HIGH * WIDE, high)
    median = where(some, f32(run_median(block, a, b)), f32(0.0))
    if not plan.middle:  # any sample will do to take deviations from: the quick look's
        first = load(raw, 0)
        median = where(first < f32(FAR), first, median)
    store(limits, MEDIAN * WIDE, median)
    store(counts, LESS * WIDE, i64(a))
    store(counts, MORE * WIDE, i64(m - b))
    kept_sums(weights, noises, raw, tally)
    for lane in range(count):
        for k in range(8):
            bits[k, lane] = 0
        equal = counts[BELOW, lane] != counts[LESS, lane]
        equal |= counts[ABOVE, lane] != counts[MORE, lane]
        if equal or special[lane]:
            heed = True
            while True:  # at most twice
                kept_in_lane(weights, noises, raw, flags, gone, lane, heed, tally)
                if counts[KEPT, lane] > 0 or not heed:
                    break
                heed = False
    if planes.hot.shape[0] > 0:
        _note_high(raw, n, high, count, room.places, planes.hot)
    trimmed = plan.rule == MIN_MAX
    factor = plan.median_factor
    write_lanes(tally, plan.everything, trimmed, factor, room.places, count, planes)


@njit(**BARE)
def _note_high(raw: Array, n: int, high: Lanes, count: int, places: Array, hot: Array) -> None:
    """Set the bits of samples above the limit, and clear the others'."""
    for word in range(hot.shape[0]):
        for lane in range(count):
            hot[word, places[lane]] = 0
    for j in range(n):
        value = load(raw, j * WIDE)
        lanes = lanes_of((value > high) & (value < f32(FAR)))
        for lane in range(count if lanes != 0 else 0):
            if (lanes >> lane) & 1 != 0:
                hot[j // 64, places[lane]] |= np.uint64(1) << np.uint64(j % 64)


@njit(**BARE)
def _wait(
    samples: Samples,
    y: int,
    x: int,
    column: int,
    extra: float,
    grown: Array,
    room: Room,
    lane: int,
) -> None:
    """Let a pixel, gathered in a column of the strip, wait in a lane."""
    bits, frames, n = samples.flags, samples.frames, samples.frames.size
    raw, flags, gone, strip = room.raw, room.flags, room.gone, room.strip
    place = y * bits.shape[2] + x
    special = room.seen[column] != 0
    for j in range(n):
        raw[j, lane] = strip[j, column]
    if special:
        for j in range(n):
            flags[j, lane] = bits[frames[j], y, x]
    else:
        for j in range(n):
            flags[j, lane] = 0
    if gone.shape[0] > 0:
        for j in range(n):
            out = (grown[j // 64, place] >> np.uint64(j % 64)) & np.uint64(1)
            gone[j, lane] = out
            special |= out != 0
    room.special[lane] = special
    room.extra[lane] = extra
    room.places[lane] = place


@njit(**BARE)
def _nothing_to_reject(
    rule: int,
    options: Array,
    critical: Array,
    merging: Array,
    n: int,
    block: Array,
    away: Array,
    first: Lanes,
    second: Lanes,
) -> Lanes:
    """Mask of the pixels of which a rule surely keeps everything. All n samples are usable.

    first, second : f32, sums of the deviations from the median and of their squares.
    """
    none, every = i32(0), i32(n)
    if rule == ESD:
        a, b = extreme_deviates(block, n, every, options[0], critical, f64(0.0))
        return (a == none) & (b == every)
    low, high = f64(options[0]), f64(options[1])
    least = f64(load(block, 0))
    most = f64(load(block, (n - 1) * WIDE))
    slack = f64(0.0)
    if rule == WINSORISED:
        centre, sigma, moved = run_robust(block, n, none, every, merging, away, np.int64(GLANCES))
        slack = f64(10.0) * moved
    else:
        centre = run_median(block, none, every)
        if rule == MAD_CLIP:
            sigma = run_deviation(block, n, none, every, centre, merging, away)
        else:
            # Sums of n float32 are right to n / 2^24 of the sum of sizes.
            shift = f64(first) / f64(n)
            variance = f64(second) / f64(n) - shift * shift
            sigma = sqrt(variance) * f64(1.0 - 1e-6 * n)
            sigma = where(second < f32(HUGE), sigma, f64(-1.0))
    below = centre - low * sigma + slack * (low + f64(1.0))
    above = centre + high * sigma - slack * (high + f64(1.0))
    return ((below <= least) & (most <= above)) | (least == most)


@njit(**BARE)
def _look(samples: Samples, plan: Plan, column: int, place: int, room: Room, planes: Planes) -> int:
    """Combine WIDE neighbours of which nothing is rejected, and tell which: bit k for lane k.

    The pixels are those of `room.strip` from `column` on, and lie at the flat `place` of the planes.
    Planes are written for all of them, without flags, and are wrong for the others.
    """
    data, flags, frames, weights = samples.data, samples.flags, samples.frames, samples.weights
    strip, block, rule = room.strip, room.ordered, plan.rule
    n = frames.size
    size = data.shape[1] * data.shape[2]
    centre = load(strip, column)
    if plan.middle:
        for j in range(n):
            store(block, j * WIDE, load(strip, column + j * PITCH))
        sort_lanes(block, plan.few_pairs if rule in (NONE, SIGMA_CLIP) else plan.pairs)
        centre = f32(run_median(block, i32(0), i32(n)))
    pivot = f64(centre)
    first, second = f64(0.0), f64(0.0)
    for j in range(n):
        ahead = frames[j] * size + place + STRIP
        prefetch(data, ahead)
        prefetch(flags, ahead)
        weight = f64(weights[j])
        distance = f64(load(strip, column + j * PITCH)) - pivot
        first = first + weight * distance
        second = second + weight * distance * distance
    sure = second < f64(np.inf)  # not so with a sample that is not usable
    if rule != NONE:
        plain, square = f32(0.0), f32(0.0)
        for j in range(n if rule == SIGMA_CLIP else 0):
            near = load(strip, column + j * PITCH) - centre
            plain = plain + near
            square = square + near * near
        sure = sure & _nothing_to_reject(
            rule,
            plan.options,
            plan.critical,
            plan.few_merging,
            n,
            block,
            room.away,
            plain,
            square,
        )
    everything, expected, weighted = f64(plan.everything), f64(plan.expected), f64(plan.weighted)
    mean, variance = finish(everything, first, second, expected, weighted, f64(n), pivot)
    if plan.median_factor.size > 0:
        mean = pivot
        variance = variance * f64(plan.median_factor[n])
    store(planes.mean, place, f32(mean))
    store(planes.variance, place, f32(variance))
    store(planes.share, place, f32(1.0))
    store(planes.kept, place, u16(i32(n)))
    store(planes.below, place, u16(i32(0)))
    store(planes.above, place, u16(i32(0)))
    store(planes.marks, place, u8(0))
    if planes.median.size > 0:
        store(planes.median, place, centre)
    return lanes_of(sure)


@njit(**BARE)
def _majority(samples: Samples, y: int, x: int, among: int) -> int:
    """Those of the flags `among` that more than half of a pixel's samples carry."""
    flags, frames = samples.flags, samples.frames
    mark = 0
    for bit in range(8):
        if (among >> bit) & 1 != 0:
            count = 0
            for j in range(frames.size):
                count += (flags[frames[j], y, x] >> bit) & 1
            if 2 * count > frames.size:
                mark |= 1 << bit
    return mark


@njit(**ENTRY)
def sweep(
    samples: Samples,
    plan: Plan,
    room: Room,
    some: bool,
    todo: Array,
    extra: Array,
    grown: Array,
    planes: Planes,
) -> None:
    """Judge and combine the pixels of a tile, or some of them anew.

    some : only those of `todo`, bool (h, w). extra : float32 (h, w), variance (ADU^2) added to
    their samples' own. grown : uint64 (words, h w), samples of theirs to leave out as high, see
    `samples.Planes.hot`; (0, h w) for none. Where that would leave nothing, it is not heeded.
    """
    n = samples.frames.size
    height, width = samples.data.shape[1:]
    strip, seen, again = room.strip, room.seen, room.again
    waiting = n - n  # a literal 0 would have functions compiled once more for it
    for y in range(height):
        for x0 in range(0, width, STRIP):
            part = min(STRIP, width - x0)
            if not some:
                gather(samples, y, x0, part, strip, seen, again)
            for k0 in range(0, part, WIDE):
                here = y * width + x0 + k0
                sure = 0
                if not some and k0 + WIDE <= part and plan.rule != MIN_MAX:
                    sure = _look(samples, plan, k0, here, room, planes)
                    unmarked = lanes_of(load(again, k0) == u8(0))
                    if sure & unmarked == EVERY:
                        continue
                for k in range(k0, min(k0 + WIDE, part)):
                    x = x0 + k
                    if (sure >> (k - k0)) & 1 != 0:
                        if again[k] != 0:
                            mark = _majority(samples, y, x, again[k])
                            planes.marks[y * width + x] = mark
                        continue
                    column, more = k, 0.0
                    if some:
                        if not todo[y, x]:
                            continue
                        gather(samples, y, x, np.int64(1), strip, seen, again)
                        column, more = 0, np.float64(extra[y, x])
                    _wait(samples, y, x, column, more, grown, room, waiting)
                    waiting += 1
                    if waiting == WIDE:
                        _look_closely(samples, plan, room, waiting, planes)
                        waiting = n - n
    if waiting > 0:
        _look_closely(samples, plan, room, waiting, planes)
