"""Medians of lines and planes of pixels by selection, in a fraction of the time of sorting."""

from __future__ import annotations

import numpy as np
from numba import njit

from coldframe.frame import Array
from coldframe.loops import BARE, ENTRY

FEW = 24
"""Values that are sorted; of more, as many are looked at for where to cut."""

SIDE = 4
"""How far from the wanted one of them the cuts lie: a third of all is between, and nine times of
ten the wanted value with it."""

_EXPONENT = np.uint32(0x7F800000)
"""Bits of a float32, all set in what is not finite."""


def median(values: Array, without: Array | None = None) -> float:
    """Median of the finite ones among values of any shape, NaN without any; float32 throughout.

    without : bool, of the same shape, true for values that do not count.
    """
    room = np.array(values, np.float32, order="C")
    if without is not None:
        np.putmask(room, without, np.nan)
    room = room.reshape(-1)
    some = np.empty(FEW, np.float32)
    return float(_median(room, np.empty_like(room), some, finite_first(room, room.size)))


def line_medians(plane: Array, every: int) -> tuple[Array, Array]:
    """What each row of a plane has of its own.

    Parameters
    ----------
    plane : float32 (m, n). every : the spread of each so many rows is measured.

    Returns
    -------
    own : float32 (m - 2,), the median over a row of its pixels less the mean of those beside them
    in the rows before and after, for all rows but the first and the last. spread : float32 of each
    `every`-th of them, 1.4826 MAD of the same. Values that are not finite are left out; NaN where
    none is left.
    """
    count, length = max(0, plane.shape[0] - 2), plane.shape[1]
    own = np.empty(count, np.float32)
    away = np.empty(-(-count // every), np.float32)
    steps, room = np.empty(length, np.float32), np.empty(length, np.float32)
    _line_medians(plane, every, own, away, steps, room, np.empty(FEW, np.float32))
    return own, np.float32(1.4826) * away


@njit(**ENTRY)
def _line_medians(plane, every, own, away, steps, room, some):  # type: ignore[no-untyped-def]
    for i in range(own.size):
        own[i] = _median(steps, room, some, _step(plane, i, np.float32(0), steps))
        if i % every == 0:
            count = _step(plane, i, own[i], steps)
            for k in range(count):
                steps[k] = abs(steps[k])
            away[i // every] = _median(steps, room, some, count)


@njit(**BARE)
def _step(plane, i, level, steps):  # type: ignore[no-untyped-def]
    """Row i + 1 less the mean of those beside it and `level`; how many values are finite."""
    before, here, after = plane[i], plane[i + 1], plane[i + 2]
    for k in range(steps.size):
        steps[k] = here[k] - (before[k] + after[k]) * np.float32(0.5) - level
    return finite_first(steps, steps.size)


@njit(**ENTRY)
def finite_first(values, n):  # type: ignore[no-untyped-def]
    """Move those of the first n float32 values that are finite to the front; how many there are."""
    bits = values.view(np.uint32)
    largest = np.uint32(0)
    for k in range(n):
        largest = max(largest, bits[k] & _EXPONENT)
    # Mostly all are, and to see that takes a fraction of the time.
    if largest < _EXPONENT:
        return n
    count = np.int64(0)
    for k in range(n):
        value = values[k]
        values[count] = value
        count += np.isfinite(value)
    return count


@njit(**ENTRY)
def _median(values, room, some, count):  # type: ignore[no-untyped-def]
    """Of the first `count` values, which are finite.

    What is in `values` and in `room`, of the same size, is lost. some : room, (FEW,).
    """
    if count == 0:
        return np.float32(np.nan)
    even, rank, beyond = count % 2 == 0, (count - 1) // 2, np.float32(np.inf)
    # Cuts are values themselves: the least of those above what is kept is always known, `beyond`.
    while count > FEW:
        for k in range(FEW):
            some[k] = values[k * (count - 1) // (FEW - 1)]
        _sort(some, np.int64(FEW))  # a literal would have it compiled once more
        near = rank * FEW // count
        low, high = some[max(0, near - SIDE)], some[min(FEW - 1, near + SIDE)]
        to_low, between = _keep(values, room, count, low, high)
        if to_low <= rank < to_low + between:
            values, room = room, values
            count, rank, beyond = between, rank - to_low, high
            continue
        under, to_high = 0, 0
        for k in range(count):
            under += values[k] < low
            to_high += values[k] <= high
        if rank < under:
            count = _keep(values, room, count, np.float32(-np.inf), low)[1]
            values, room, beyond = room, values, low
        elif rank >= to_high:
            count = _keep(values, room, count, high, np.float32(np.inf))[1]
            values, room, rank = room, values, rank - to_high
        else:
            found, last = (low, to_low) if rank < to_low else (high, to_high)
            if not even or rank + 1 < last:
                return found
            for k in range(count):
                if values[k] > found and values[k] < beyond:
                    beyond = values[k]
            return (found + beyond) * np.float32(0.5)
    _sort(values, count)
    if not even:
        return values[rank]
    return (values[rank] + (values[rank + 1] if rank + 1 < count else beyond)) * np.float32(0.5)


@njit(**BARE)
def _keep(values, room, count, low, high):  # type: ignore[no-untyped-def]
    """Put those between into `room`; how many lie no higher than `low` and how many between."""
    to_low, between = 0, 0
    for k in range(count):
        value = values[k]
        room[between] = value
        between += (value > low) & (value < high)
        to_low += value <= low
    return to_low, between


@njit(**BARE)
def _sort(values, count):  # type: ignore[no-untyped-def]
    """A few of them, by insertion."""
    for k in range(1, count):
        value, j = values[k], k
        while j > 0 and values[j - 1] > value:
            values[j] = values[j - 1]
            j -= 1
        values[j] = value
