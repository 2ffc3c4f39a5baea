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


def within(ordered: Array, limit: float) -> slice:
    """Which of ascending values lie no farther than `limit` from zero."""
    limit = ordered.dtype.type(limit)
    first = np.searchsorted(ordered, -limit)
    return slice(int(first), int(np.searchsorted(ordered, limit, side="right")))
