"""Medians by sorting, which numpy does in vectors: several times faster than its own median."""

from __future__ import annotations

from typing import Any

import numpy as np

from coldframe.frame import Array


def middle(ordered: Array) -> Any:
    """Median along the last axis, of at least one float in ascending order, in their precision."""
    size = ordered.shape[-1]
    half = size // 2
    return ordered[..., half] if size % 2 else (ordered[..., half - 1] + ordered[..., half]) / 2


def median(values: Array) -> Any:
    """Median of at least one finite value, of any shape, in their own precision."""
    return middle(np.sort(values, axis=None))


def of_rows(values: Array) -> Array:
    """Medians along the last axis of finite floats, in their own precision."""
    return np.asarray(middle(np.sort(values, axis=-1)))


def size_of(ordered: Array) -> Any:
    """Median of the absolute values of at least one value in ascending order, in their precision.

    Sizes rise both ways from zero: the median is looked for in those two orders by halving, and
    nothing is sorted again.
    """
    size, item = ordered.size, ordered.item
    zero = int(ordered.searchsorted(ordered.dtype.type(0)))
    half = (size + 1) // 2
    # How many of the smaller half lie below zero.
    first, last = max(0, half - size + zero), min(half, zero)
    while first < last:
        some = (first + last) // 2
        if -item(zero - some - 1) < item(zero + half - some - 1):
            first = some + 1
        else:
            last = some
    start, stop = zero - first, zero - first + half  # where the smaller half is
    greatest = max(-ordered[start], ordered[stop - 1])
    if size % 2:
        return greatest
    beyond = [-ordered[start - 1]] if start else []
    beyond += [ordered[stop]] if stop < size else []
    return (greatest + min(beyond)) / 2


def within(ordered: Array, limit: float) -> slice:
    """Which of ascending values lie no farther than `limit` from zero."""
    limit = ordered.dtype.type(limit)
    return slice(int(ordered.searchsorted(-limit)), int(ordered.searchsorted(limit, side="right")))
