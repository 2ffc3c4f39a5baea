"""Generalised ESD against the worked example of the NIST/SEMATECH e-Handbook."""

from __future__ import annotations

import numpy as np
import pytest
from numba import njit

from coldframe_steps.kernels import options
from coldframe_steps.kernels.network import empty_block
from coldframe_steps.kernels.options import Rule
from coldframe_steps.kernels.reject import esd_critical, extreme_deviates
from coldframe_steps.kernels.simd import WIDE, f64, i32, store
from coldframe_steps.kernels.stack import reduce_tile

# NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.3, "Generalized ESD Test for Outliers":
# Rosner's 54 data points, and the table of R_i and lambda_i for up to 10 outliers at alpha 0.05.
# Data and table written down from memory. The table cuts the digits after the third off and does
# not round them: all 20 numbers agree so, and 7 of them would not if they were rounded.
ROSNER = np.fromstring(
    """-0.25 0.68 0.94 1.15 1.20 1.26 1.26 1.34 1.38 1.43 1.49 1.49 1.55 1.56 1.58 1.65 1.69 1.70
    1.76 1.77 1.81 1.91 1.94 1.96 1.99 2.06 2.09 2.10 2.14 2.15 2.23 2.24 2.26 2.35 2.37 2.40 2.47
    2.54 2.62 2.64 2.90 2.92 2.92 2.93 3.21 3.26 3.30 3.59 3.68 4.30 4.64 5.34 5.42 6.01""",
    sep=" ",
)
TABLE_R = [3.118, 2.942, 3.179, 2.810, 2.815, 2.848, 2.279, 2.310, 2.101, 2.067]
TABLE_LAMBDA = [3.158, 3.151, 3.143, 3.136, 3.128, 3.120, 3.111, 3.103, 3.094, 3.085]


def test_the_data_are_the_handbooks() -> None:
    assert ROSNER.size == 54


def test_critical_values_to_the_printed_digits() -> None:
    critical = np.sqrt(esd_critical(54, 0.05))
    printed = np.floor(critical[54:44:-1] * 1000) / 1000
    assert printed == pytest.approx(TABLE_LAMBDA, abs=1e-9)


@njit
def _keep(block, n, fraction, critical, out):  # type: ignore[no-untyped-def]
    """Which run of rows the test keeps, into the two rows of out."""
    a, b = extreme_deviates(block, n, i32(n), fraction, critical, f64(0.0))
    store(out, 0, a)
    store(out, WIDE, b)


def test_test_statistics_to_the_printed_digits() -> None:
    """R_i is what a critical value must be just below of for the i-th sample to be an outlier."""
    block = empty_block(54)
    block[:] = np.sort(ROSNER)[:, None]
    for i, printed in enumerate(TABLE_R):
        # All other tests are made to fail, so that only test i can tell.
        for value, found in ((printed, True), (printed + 0.001, False)):
            critical = np.full(55, np.inf)
            critical[54 - i] = value**2
            run = np.empty((2, WIDE), np.int32)
            _keep(block, 54, 10 / 54, critical, run)
            assert np.all((54 - (run[1] - run[0]) == i + 1) == found), (i + 1, value)


@pytest.mark.parametrize("order", ["as printed", "shuffled"])
def test_three_outliers_at_alpha_0_05(order: str) -> None:
    """The handbook's conclusion: there are 3 outliers, though R_1 and R_2 do not pass."""
    data = ROSNER.astype(np.float32)
    if order == "shuffled":
        data = np.random.default_rng(7).permutation(data)
    rule = Rule(options.ESD, (10 / 54, 0.0, 0.0), alpha=0.05)
    planes = reduce_tile(data.reshape(54, 1, 1), np.zeros((54, 1, 1), np.uint8), rule=rule)
    assert (planes["low"][0, 0], planes["high"][0, 0]) == (0, 3)
    assert planes["count"][0, 0] == 51
    assert planes["data"][0, 0] == pytest.approx(np.sort(ROSNER)[:51].mean(), rel=1e-6)


def test_false_alarms_are_as_rare_as_alpha() -> None:
    """Rosner 1983: the chance of any outlier in clean normal data of 25 or more is about alpha."""
    rng = np.random.default_rng(3)
    data = rng.normal(size=(30, 100, 200)).astype(np.float32)
    rule = Rule(options.ESD, (0.3, 0.0, 0.0), alpha=0.05)
    planes = reduce_tile(data, np.zeros(data.shape, np.uint8), rule=rule)
    alarms = float(np.mean(planes["count"] < 30))
    # Binomial scatter of 20,000 pixels is 0.0015; the test is approximate to about 0.01.
    assert 0.035 < alarms < 0.065
