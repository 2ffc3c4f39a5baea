"""Sorting by digits sorts as numpy does."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from coldframe_steps.kernels.ordering import sort_floats

finite = st.floats(width=32, allow_nan=False, allow_infinity=False)


def sorted_by_digits(values: np.ndarray, most: int) -> np.ndarray:
    out, room = values.copy(), np.empty((2, max(values.size, 1)), np.uint32)
    sort_floats(out, values.size, room, np.empty(2048, np.uint32), most)
    return out


@settings(max_examples=200, deadline=None)
@given(values=arrays(np.float32, st.integers(0, 60), elements=finite))
def test_any_values_are_sorted(values: np.ndarray) -> None:
    out = sorted_by_digits(values, most=3)
    np.testing.assert_array_equal(out, np.sort(values))


@pytest.mark.parametrize(("middle", "spread"), [(500.0, 20.0), (0.0, 3.0), (-40.0, 0.8)])
def test_rough_order_is_off_by_far_less_than_the_noise(middle: float, spread: float) -> None:
    values = np.random.default_rng(1).normal(middle, spread, 4096).astype(np.float32)
    values[:50] += 60000.0  # stars
    out = sorted_by_digits(values, most=2)
    np.testing.assert_array_equal(np.sort(out), np.sort(values))
    assert np.abs(out - np.sort(values))[:-50].max() < 0.01 * spread


def test_only_the_first_values_are_sorted() -> None:
    values = np.array([3, 1, 2, -5, 9], np.float32)
    sort_floats(values, 3, np.empty((2, 5), np.uint32), np.empty(2048, np.uint32), 3)
    assert values.tolist() == [1, 2, 3, -5, 9]
