"""Medians by selection against numpy's own, to the bit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from coldframe.selection import line_medians, median

VALUES = hnp.arrays(
    np.float32,
    hnp.array_shapes(max_dims=2, max_side=90),
    elements=st.integers(-40, 40).map(lambda i: i / 8),
)


@settings(deadline=None)  # the first one waits for the loops to be compiled
@given(VALUES)
def test_median_of_few_and_of_equal_values_is_that_of_numpy(values):
    before = values.copy()
    assert median(values) == np.median(values)
    np.testing.assert_array_equal(values, before)


@pytest.mark.parametrize("size", [25, 26, 999, 1000, 100_001])
@pytest.mark.parametrize("step", [0.0, 0.5, 20.0, 1000.0])
def test_median_of_many_is_that_of_numpy(size, step):
    rng = np.random.default_rng(size)
    values = rng.normal(0, 30, size).astype(np.float32)
    values = values if step == 0 else np.round(values / step).astype(np.float32)
    for order in (values, np.sort(values), np.sort(values)[::-1]):
        assert median(order) == np.median(values)


def test_what_is_not_finite_or_not_wanted_does_not_count():
    rng = np.random.default_rng(1)
    values = rng.normal(0, 30, (40, 50)).astype(np.float32)
    without = rng.random(values.shape) < 0.3
    assert median(values, without) == np.median(values[~without])
    odd = np.where(without, np.float32(np.inf), values)
    odd[0, 0] = np.nan
    assert median(odd) == np.median(odd[np.isfinite(odd)])
    assert np.isnan(median(np.full(3, np.nan, np.float32)))
    assert np.isnan(median(np.empty(0, np.float32)))


@pytest.mark.parametrize("length", [1, 200, 301])
def test_line_medians_are_those_of_numpy(length):
    rng = np.random.default_rng(length)
    plane = rng.normal(1000, 20, (33, length)).astype(np.float32)
    plane[20:25] = np.round(plane[20:25])
    steps = plane[1:-1] - (plane[:-2] + plane[2:]) / 2
    own, spread = line_medians(plane, 4)
    np.testing.assert_array_equal(own, np.median(steps, axis=1))
    away = np.median(np.abs(steps - own[:, np.newaxis])[::4], axis=1)
    np.testing.assert_array_equal(spread, np.float32(1.4826) * away)
    assert [part.size for part in line_medians(plane[:2], 4)] == [0, 0]
