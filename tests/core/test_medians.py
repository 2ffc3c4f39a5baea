"""Medians against numpy's own, to the bit."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from coldframe.medians import median, middle, of_rows, size_of, within

VALUES = hnp.arrays(
    st.sampled_from([np.float32, np.float64]),
    hnp.array_shapes(max_dims=2, max_side=20),
    elements=st.integers(-1000, 1000).map(lambda i: i / 8),
)


@given(VALUES)
def test_median_is_that_of_numpy(values):
    assert median(values) == np.median(values)
    assert median(values).dtype == values.dtype
    assert middle(np.sort(values, axis=None)) == np.median(values)


@given(VALUES)
def test_median_size_is_that_of_numpy(values):
    size = size_of(np.sort(values, axis=None))
    assert size == np.median(np.abs(values))
    assert size.dtype == values.dtype


@given(VALUES, st.integers(0, 8000).map(lambda i: i / 8))
def test_within_is_what_a_comparison_finds(values, limit):
    ordered = np.sort(values, axis=None)
    np.testing.assert_array_equal(ordered[within(ordered, limit)], ordered[abs(ordered) <= limit])


@given(VALUES)
def test_medians_of_rows_are_those_of_numpy(values):
    np.testing.assert_array_equal(of_rows(values), np.median(values, axis=-1))
