"""Medians by sorting, which numpy does in vectors: several times faster than its own median."""

from __future__ import annotations

from typing import Any

import numpy as np

from coldframe.frame import Array


def middle(ordered: Array) -> Any:
    """Median along the last axis, of at least one value in ascending order, in their precision."""
    size = ordered.shape[-1]
    half = size // 2
    return ordered[..., half] if size % 2 else np.mean(ordered[..., half - 1 : half + 1], axis=-1)


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
    zero = int(np.searchsorted(ordered, 0))
    below, above = -ordered[:zero][::-1], ordered[zero:]
    half = (ordered.size + 1) // 2
    # How many of the smaller half lie below zero.
    first, last = max(0, half - above.size), min(half, below.size)
    while first < last:
        some = (first + last) // 2
        if below[some] < above[half - some - 1]:
            first = some + 1
        else:
            last = some
    ends = below[max(first - 1, 0) : first + 1], above[max(half - first - 1, 0) : half - first + 1]
    near = np.sort(np.concatenate(ends))
    # One or two of them are in the smaller half; the last of those is its greatest.
    taken = (first > 0) + (half > first)
    return near[taken - 1] if ordered.size % 2 else np.mean(near[taken - 1 : taken + 1])


def within(ordered: Array, limit: float) -> slice:
    """Which of ascending values lie no farther than `limit` from zero."""
    limit = ordered.dtype.type(limit)
    first = np.searchsorted(ordered, -limit)
    return slice(int(first), int(np.searchsorted(ordered, limit, side="right")))
