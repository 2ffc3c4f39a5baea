"""The numbers on a master's page, on masters whose truth is known."""

import numpy as np
import pytest

from coldframe.frame import Flag, Frame, FrameInfo, Kind
from coldframe.step import Context
from coldframe_steps.calibrate.measure_master import MeasureMaster

PARAMS = {"hot_threshold": 10}


def master(kind, cfa=None):
    rng = np.random.default_rng(8)
    data = rng.normal(100, 2.0, (60, 80)).astype(np.float32)
    data.ravel()[rng.choice(data.size, 25, replace=False)] += 500
    variance = np.full(data.shape, 4.0, np.float32)
    variance[:20] = np.nan
    flags = np.zeros(data.shape, np.uint8)
    flags[:20] = Flag.NO_DATA
    return Frame(data, flags, FrameInfo(kind=kind, cfa=cfa), {"variance": variance})


@pytest.mark.parametrize("cfa", [None, "RGGB"])
def test_a_darks_hot_pixels_and_noise(cfa):
    frame = master(Kind.DARK, cfa)
    hot = int(((frame.data > 400) & (frame.flags == 0)).sum())
    found = MeasureMaster().measure(frame, Context(params=PARAMS))
    assert found["hot_pixels"] == hot
    assert found["hot_share"] == pytest.approx(100 * hot / frame.data.size)
    assert found["temporal_noise"] == pytest.approx(2.0)
    assert set(found) <= set(MeasureMaster.columns)


def test_other_masters_have_no_hot_pixels_and_none_is_made_up():
    assert set(MeasureMaster().measure(master(Kind.BIAS), Context(params=PARAMS))) == {
        "temporal_noise"
    }
    bare = Frame(np.ones((4, 4), np.float32), np.zeros((4, 4), np.uint8), FrameInfo(kind=Kind.FLAT))
    assert MeasureMaster().measure(bare, Context(params=PARAMS)) == {}
