"""The parts of calibration: neighbours, flags, the cache, the scale fit."""

from __future__ import annotations

import threading

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from coldframe.frame import UNUSABLE, Flag, Frame, FrameInfo, Kind
from coldframe.step import Context
from coldframe_steps.calibrate import plugin
from coldframe_steps.calibrate.cache import MasterCache
from coldframe_steps.calibrate.dark_scale import fit_dark_scale
from coldframe_steps.calibrate.measure_master import MeasureMaster
from coldframe_steps.calibrate.neighbours import same_colour
from coldframe_steps.calibrate.robust import clipped_mean, pixel_noise, sample
from coldframe_steps.calibrate.step import Calibrate
from coldframe_steps.kernels.pixels import (
    EMPTY,
    local_median_at,
    readonly,
    repair_pixels,
    stand_out,
)


def test_the_plugin_offers_its_steps():
    assert plugin.coldframe_steps() == [Calibrate, MeasureMaster]


@pytest.mark.parametrize("cfa", ["RGGB", "GRBG", "BGGR", None])
def test_neighbours_have_the_same_colour_and_are_the_nearest(cfa):
    table = same_colour(cfa)
    colours = cfa or "MMMM"
    for p in range(4):
        y, x = divmod(p, 2)
        seen = [tuple(offset) for offset in table[p]]
        assert len(set(seen)) == len(seen)
        assert (0, 0) not in seen
        for dy, dx in seen:
            assert colours[(y + dy) % 2 * 2 + (x + dx) % 2] == colours[p]
        distances = [dy * dy + dx * dx for dy, dx in seen]
        assert distances == sorted(distances)
        first = {"G": [2] * 4 + [4] * 4, "M": [1] * 4 + [2] * 4}.get(colours[p], [4] * 4 + [8] * 4)
        assert distances[:8] == first


def test_a_repair_never_reads_a_bad_pixel_and_bridges_a_bad_block():
    data = np.full((16, 16), 100, np.float32)
    flags = np.zeros((16, 16), np.uint8)
    data[4:9, 4:9], flags[4:9, 4:9] = 9999, Flag.HOT
    index = np.flatnonzero(flags)
    table = readonly(same_colour(None), np.int32)
    repaired = repair_pixels(data, flags, int(Flag.HOT), table, index)
    # The middle of a 5 x 5 block is 3 away from the nearest good pixel and beyond the table.
    assert repaired == 25 - np.count_nonzero(data == 9999)
    assert (data[flags & Flag.REPAIRED > 0] == 100).all()
    assert (flags[data == 9999] == Flag.HOT).all()


def test_a_slope_is_repaired_without_bias():
    y, x = np.mgrid[0:20, 0:20]
    truth = (3.0 * y - 2.0 * x + 500).astype(np.float32)
    data, flags = truth.copy(), np.zeros((20, 20), np.uint8)
    data[10, 10], flags[10, 10] = 0, Flag.COLD
    table = readonly(same_colour("RGGB"), np.int32)
    repair_pixels(data, flags, int(Flag.COLD), table, np.array([10 * 20 + 10]))
    assert data[10, 10] == truth[10, 10]


flag_planes = arrays(np.uint8, (12, 14), elements=st.integers(0, 127))
raws = arrays(np.float32, (12, 14), elements=st.floats(0, 1100, width=32))


@settings(deadline=None, max_examples=60)
@given(
    raws,
    flag_planes,
    arrays(np.float32, (12, 14), elements=st.floats(90, 600, width=32)),
    st.booleans(),
    st.sampled_from(["RGGB", None]),
)
def test_flags_are_never_lost_and_never_made_up(raw, flags, dark, repair, cfa):
    info = FrameInfo(kind=Kind.LIGHT, cfa=cfa, black=(100.0,) * 4, white=1000.0, exposure=1.0)
    dark_info = FrameInfo(kind=Kind.DARK, cfa=cfa, black=(100.0,) * 4, exposure=1.0)
    raw = np.maximum(raw, dark.min())
    frame = Frame(raw + np.float32(600), flags, info)
    master = Frame(dark, np.zeros_like(flags), dark_info)
    out = Calibrate().apply(frame, Context(params={"repair": repair}, masters={"dark": master}))
    full = raw + np.float32(600) >= 1000
    kept = int(UNUSABLE | Flag.HOT | Flag.COLD | Flag.REPAIRED)
    assert np.array_equal(out.flags & flags & kept, flags & kept)
    hot_now = (out.flags & Flag.HOT != 0) & (flags & Flag.HOT == 0)
    assert hot_now.sum() <= out.measures["hot_pixels"]
    untouched = (out.flags & Flag.REPAIRED) == (flags & Flag.REPAIRED)
    mine = untouched & ~(hot_now & repair) & (out.flags & Flag.HOT == 0)
    was = (flags & Flag.SATURATED != 0) | full
    assert np.array_equal((out.flags & Flag.SATURATED != 0)[mine], was[mine])
    assert np.array_equal((out.flags & Flag.CLIPPED)[mine], (flags & Flag.CLIPPED)[mine])
    assert not (out.flags & ~flags & int(Flag.NO_DATA | Flag.TRANSIENT | Flag.COLD)).any()
    assert np.isfinite(out.data).all()
    np.testing.assert_allclose(out.data[mine], (frame.data - dark)[mine], atol=1e-3)


def test_scale_fit_survives_outliers_and_says_when_it_cannot():
    rng = np.random.default_rng(5)
    dark = rng.uniform(100, 2000, 300)
    excess = 0.7 * dark + rng.normal(0, 10, 300)
    excess[:60] += rng.uniform(200, 5000, 60)
    fit = fit_dark_scale(excess, dark, np.full(300, 100.0), 0.0, 0.0)
    assert abs(fit.scale - 0.7) < 4 * fit.sigma
    assert fit.sigma < 0.002
    assert fit.count <= 245
    few = fit_dark_scale(excess[:10], dark[:10], np.full(10, 100.0), 0.0, 0.0)
    assert np.isnan(few.scale)
    assert few.count == 10


def test_scatter_among_hot_pixels_widens_the_uncertainty():
    rng = np.random.default_rng(6)
    dark = rng.uniform(100, 2000, 2000)
    own = 0.5 * (1 + rng.normal(0, 0.1, 2000))  # hot pixels follow temperature unlike
    fit = fit_dark_scale(own * dark + rng.normal(0, 3, 2000), dark, np.full(2000, 9.0), 0.0, 0.0)
    assert abs(fit.scale - 0.5) < 4 * fit.sigma
    assert fit.sigma == pytest.approx(0.05 / np.sqrt(2000), rel=0.2)


def test_cache_is_bounded_checks_identity_and_forgets_failures():
    cache = MasterCache(3)
    made = []
    images = [np.zeros(3) for _ in range(6)]
    for image in [*images, images[5]]:
        cache.get([image, None], "key", lambda: made.append(1) or len(made))
    assert len(made) == 6
    assert len(cache) == 3
    assert cache.get([images[5], None], "other key", lambda: "new") == "new"
    with pytest.raises(ValueError, match="broken"):
        cache.get([images[0]], "key", lambda: (_ for _ in ()).throw(ValueError("broken")))
    assert cache.get([images[0]], "key", lambda: "again") == "again"


def test_cache_makes_a_value_once_for_many_threads():
    cache = MasterCache(2)
    image = np.zeros(3)
    gate, made, got = threading.Barrier(4), [], []

    def make():
        made.append(1)
        return "value"

    def work():
        gate.wait()
        got.append(cache.get([image], 0, make))

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert got == ["value"] * 4
    assert len(made) == 1


def test_a_new_array_at_an_old_address_is_not_the_old_one():
    cache = MasterCache(8)
    for k in range(50):
        image = np.full(1000, k)  # freed each round, so addresses come again
        assert cache.get([image], 0, lambda image=image: int(image[0])) == k


def test_sampled_statistics():
    rng = np.random.default_rng(8)
    image = rng.normal(1000, 12, (300, 400)) + np.arange(400) * 3.0
    assert pixel_noise(image) == pytest.approx(np.hypot(12, 0), rel=0.03)
    assert sample(np.zeros((2000, 3000))).size < 300_000
    tiled = np.tile([[0, 1], [2, 3]], (600, 600))
    assert set(np.unique(sample(tiled))) == {0, 1, 2, 3}
    values = np.concatenate([rng.normal(10, 1, 1000), np.full(50, 500.0), [np.nan]])
    assert clipped_mean(values) == pytest.approx(10, abs=0.15)
    assert np.isnan(clipped_mean(np.array([np.nan])))


@settings(deadline=None, max_examples=40)
@given(
    arrays(np.float32, (9, 11), elements=st.floats(1, 100, width=32)),
    arrays(np.uint8, (9, 11), elements=st.sampled_from([0, 0, 0, 8])),
    st.floats(0, 50),
    st.sampled_from(["GRBG", None]),
)
def test_the_quick_look_misses_nothing_that_stands_out(image, flags, amount, cfa):
    args = (
        readonly(image),
        EMPTY,
        False,
        readonly(flags, np.uint8),
        8,
        readonly(same_colour(cfa), np.int32),
    )
    around, _ = local_median_at(*args, readonly(np.arange(image.size), np.int64))
    around = around.reshape(image.shape)
    hot = stand_out(*args, 1.0, readonly(np.full(4, amount, np.float32)), False)
    assert hot[image - np.float32(amount) > around].all()
    cold = stand_out(*args, 2.0, readonly(np.zeros(4, np.float32)), True)
    assert cold[2 * image < around].all()
