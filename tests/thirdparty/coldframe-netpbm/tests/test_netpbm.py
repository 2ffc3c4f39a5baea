"""The plugin's own tests; run them where it is installed."""

import numpy as np
import pytest
from coldframe_netpbm.combine import PercentileCombine
from coldframe_netpbm.plugin import coldframe_report_sections
from coldframe_netpbm.reader import PgmReader

from coldframe.testing import (
    check_reader,
    check_report_section,
    check_step,
    run_step,
    sample_frames,
)


@pytest.mark.parametrize("params", [{}, {"low": 0, "high": 50}])
def test_keeps_the_contract(params):
    check_step(PercentileCombine, params=params, any_order=True)


def test_wild_values_are_left_out():
    frames = [f.with_pixels(np.full_like(f.data, 100 + i)) for i, f in enumerate(sample_frames(5))]
    frames[0].data[5, 5] = 60000
    assert run_step(PercentileCombine, frames).made[0].data[5, 5] == pytest.approx(103)


def test_the_reader_and_the_report_section_keep_the_contract(tmp_path):
    samples = np.arange(70, 100, dtype=">u2").reshape(5, 6)
    (tmp_path / "small.pgm").write_bytes(b"P5 6 5 99 " + samples.astype("u1").tobytes())
    check_report_section(coldframe_report_sections)
    check_reader(PgmReader(), [tmp_path / "small.pgm"])
