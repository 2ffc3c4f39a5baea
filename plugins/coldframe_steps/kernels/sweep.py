"""Goes over the pixels of a tile: a quick look at all, a thorough one at those that need it.

Most pixels have nothing to reject. `_look` finds that out for WIDE neighbours at once, and then has
their mean too. The others, one here and one there, wait in `Room` until WIDE are together, so
that the thorough look works on full vectors as well. What a pixel is given depends on its own
samples alone.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from coldframe.frame import Array
from coldframe.loops import BARE, ENTRY, WITHIN
from coldframe_steps.kernels.accumulate import (
    HIGH,
    KEPT,
    LESS,
    LOW,
    MEDIAN,
    MORE,
    PIVOT,
    finish,
    kept_in_lane,
    kept_sums,
    write_lanes,
)
from coldframe_steps.kernels.lanes import run_deviation, run_median, run_robust
from coldframe_steps.kernels.network import sort_lanes
from coldframe_steps.kernels.options import ESD, MIN_MAX, NONE, SIGMA_CLIP, WINSORISED
from coldframe_steps.kernels.plain import recall, sum_row
from coldframe_steps.kernels.reject import extreme_deviates, keep_run
from coldframe_steps.kernels.samples import (
    AHEAD,
    FAR,
    HUGE,
    NO_FLAG,
    PITCH,
    SKIP,
    STRIP,
    Lanes,
    Planes,
    Samples,
    flags_of,
    gather,
    gather_one,
    majority,
    prefetch_line,
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
    store,
    take,
    u8,
    u16,
    where,
)
from coldframe_steps.kernels.workspace import Plan, Room

GLANCES = 5
"""Turns of the winsorised moments that a quick look makes."""


@njit(**BARE)
def _look_closely(samples: Samples, plan: Plan, room: Room, count: int, planes: Planes) -> None:
    """Judge and combine the `count` pixels that wait."""
    weights, noises, n = samples.weights, samples.noise, samples.frames.size
    raw, block, tally = room.raw, room.ordered, room.tally
    limits, counts = tally.limits, tally.counts
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
    low = where(some, take(block, a), f32(FAR))
    store(limits, LOW * WIDE, low)
    high = where(some, take(block, last), f32(-FAR))
    store(limits, HIGH * WIDE, high)
    median = where(some, f32(run_median(block, a, b)), f32(0.0))
    store(limits, MEDIAN * WIDE, median)
    first = load(raw, 0)  # as the quick look has it, unless it is an outlier
    store(limits, PIVOT * WIDE, where((first >= low) & (first <= high), first, median))
    store(counts, LESS * WIDE, i64(a))
    store(counts, MORE * WIDE, i64(m - b))
    below, above = kept_sums(weights, noises, raw, tally)
    equal = lanes_of(~((below == a) & (above == m - b)))
    for lane in range(count):
        if (equal >> lane) & 1 != 0 or special[lane]:
            heed = True
            while True:  # at most twice
                kept_in_lane(weights, noises, raw, flags, gone, lane, special[lane], heed, tally)
                if counts[KEPT, lane] > 0 or not heed:
                    break
                heed = False
    if planes.hot.shape[0] > 0:
        _note_high(raw, n, high, count, room.places, planes.hot)
    trimmed = plan.rule == MIN_MAX
    factor = plan.median_factor
    write_lanes(tally, plan.everything, trimmed, factor, room.places, special, count, planes)


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


@njit(**WITHIN)
def _wait(
    samples: Samples,
    column: int,
    place: int,
    flagged: bool,
    extra: float,
    grown: Array,
    room: Room,
    lane: int,
) -> None:
    """Let the pixel at a flat place of the tile, and a column of the strip, wait in a lane.

    flagged : whether its samples may carry flags.
    """
    bits, frames, n = samples.flags, samples.frames, samples.frames.size
    raw, flags, gone, strip = room.raw, room.flags, room.gone, room.strip
    size = samples.height * samples.width
    special = False
    for j in range(n):
        value = strip[j, column]
        raw[j, lane] = value if abs(value) <= HUGE else FAR
    if flagged:
        for j in range(n):
            mark = bits[frames[j] * size + place]
            flags[j, lane] = mark
            special |= mark != 0
            if mark & SKIP != 0:
                raw[j, lane] = FAR
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
    variance: Lanes,
) -> Lanes:
    """Mask of the pixels of which a rule surely keeps everything. All n samples are usable.

    variance : f64, of the samples (n), or a little less.
    """
    none, every = i32(0), i32(n)
    if rule == ESD:
        a, b = extreme_deviates(block, n, every, options[0], critical, f64(0.0))
        return (a == none) & (b == every)
    low, high = f64(options[0]), f64(options[1])
    least = f64(load(block, 0))
    most = f64(load(block, (n - 1) * WIDE))
    equal = least == most
    slack = f64(0.0)
    if rule == WINSORISED:
        centre, sigma, moved = run_robust(block, n, none, every, merging, away, np.int64(GLANCES))
        slack = f64(10.0) * moved
    else:
        centre = run_median(block, none, every)
        if rule == SIGMA_CLIP:  # squares save the root
            down, up = (centre - least) / low, (most - centre) / high
            return ((down * down <= variance) & (up * up <= variance)) | equal
        sigma = run_deviation(block, n, none, every, centre, merging, away)
    below = centre - low * sigma + slack * (low + f64(1.0))
    above = centre + high * sigma - slack * (high + f64(1.0))
    return ((below <= least) & (most <= above)) | equal


@njit(**WITHIN)
def _look(
    samples: Samples,
    plan: Plan,
    column: int,
    place: int,
    flagged: bool,
    room: Room,
    planes: Planes,
) -> int:
    """Combine WIDE neighbours of which nothing is rejected, and tell which: bit k for lane k.

    The samples are those of `room.strip` from a column on, the pixels those from the flat place of
    the tile on. flagged : whether any sample has a flag. Planes are written for all of them, without
    flags, and are wrong for the others.
    """
    strip, block, rule, n = room.strip, room.ordered, plan.rule, samples.frames.size
    data, flags, frames = samples.data, samples.flags, samples.frames
    first = load(room.sums, column)
    second = load(room.sums, STRIP + column)
    pivot = load(strip, column)
    sure = second < f64(np.inf)  # not so with a sample that is infinite or not a number
    centre = pivot
    if plan.middle:
        for j in range(n):
            store(block, j * WIDE, load(strip, j * PITCH + column))
        ahead = place - column + AHEAD
        for j in range(column // WIDE, n, STRIP // WIDE):
            prefetch_line(data, flags, frames[j] * (samples.height * samples.width) + ahead)
        sort_lanes(block, plan.few_pairs if rule in (NONE, SIGMA_CLIP) else plan.pairs)
        centre = f32(run_median(block, i32(0), i32(n)))
    if flagged:
        seen, again = flags_of(samples, place)
        sure = sure & ((seen & u8(SKIP)) == u8(NO_FLAG))
        store(room.again, 0, again)
    if rule != NONE:
        variance = f64(0.0)
        if rule == SIGMA_CLIP and plan.even:
            shift = first * f64(1.0 / n)
            variance = (second * f64(1.0 - 1e-15 * n) - first * shift) * f64((1.0 - 1e-9) / n)
        elif rule == SIGMA_CLIP:
            plain, square = f32(0.0), f32(0.0)
            for j in range(n):
                near = load(strip, j * PITCH + column) - centre
                plain = plain + near
                square = square + near * near
            # Sums of n float32 are right to n / 2^24 of the sum of sizes.
            shift = f64(plain) * f64(1.0 / n)
            variance = (f64(square) - f64(plain) * shift) * f64((1.0 - 2e-6 * n) / n)
            variance = where(square < f32(HUGE), variance, f64(-1.0))
        sure = sure & _nothing_to_reject(
            rule, plan.options, plan.critical, plan.few_merging, n, block, room.away, variance
        )
    part, factor, alone = f64(plan.part), f64(plan.factor), f64(plan.alone)
    mean, variance = finish(first, second, part, factor, alone, f64(pivot))
    if plan.median_factor.size > 0:
        mean = f64(centre)
        variance = variance * f64(plan.median_factor[n])
    store(planes.mean, place, f32(mean))
    store(planes.variance, place, f32(variance))
    store(planes.share, place, f32(1.0))
    store(planes.kept, place, u16(i32(n)))
    store(planes.below, place, u16(i32(0)))
    store(planes.above, place, u16(i32(0)))
    store(planes.marks, place, u8(NO_FLAG))
    if planes.median.size > 0:
        store(planes.median, place, centre)
    return lanes_of(sure)


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
    height, width = samples.height, samples.width
    again, marks, strip, row = room.again, planes.marks, room.strip, room.row
    quick = (not some) & (width >= STRIP) & (plan.rule != MIN_MAX)
    in_rows = row.clean.size > 0
    waiting = height - height  # a literal 0 would have functions compiled once more for it
    for y in range(height):
        if in_rows:
            sum_row(samples, y, plan.even, plan.matched, row)
        for begin in range(0, width, STRIP):
            # The last strip of a row begins in the one before: what is done twice comes out the same.
            x0 = min(begin, width - STRIP) if quick else begin
            here = y * width + x0
            clean = in_rows and row.clean[begin // STRIP]
            flagged = not clean
            if clean:
                recall(row, begin, strip, room.sums)
            elif quick:
                flagged = gather(samples, y, x0, plan.even, not plan.middle, strip, room.sums)
            for k0 in range(0, min(STRIP, width - x0), WIDE):
                sure = 0
                if quick:
                    sure = _look(samples, plan, k0, here + k0, flagged, room, planes)
                    if sure == EVERY and not flagged:
                        continue
                for k in range(k0, min(k0 + WIDE, width - x0)):
                    if (sure >> (k - k0)) & 1 != 0:
                        if flagged and again[k - k0] != 0:
                            marks[here + k] = majority(samples, here + k, again[k - k0])
                        continue
                    column, more = k, 0.0
                    if some:
                        if not todo[y, x0 + k]:
                            continue
                        more = np.float64(extra[y, x0 + k])
                    if clean or not quick:
                        gather_one(samples, y, x0 + k, strip)
                        column = 0
                    _wait(samples, column, here + k, flagged, more, grown, room, waiting)
                    waiting += 1
                    if waiting == WIDE:
                        _look_closely(samples, plan, room, waiting, planes)
                        waiting = height - height
    if waiting > 0:
        _look_closely(samples, plan, room, waiting, planes)
