"""Calibration of simulated frames whose truth is known."""

from __future__ import annotations

import logging
from dataclasses import dataclass, replace

import numpy as np
import pytest

from coldframe.errors import SetAside, StepError
from coldframe.frame import Flag, Frame, FrameInfo, Kind
from coldframe.step import Context, FrameStep
from coldframe_steps.calibrate.step import Calibrate

SHAPE = (192, 256)
GAIN = 2.0  # e-/ADU
READ_NOISE = 6.0  # e-
BLACK = 500.0
WHITE = 16000.0


@dataclass
class Sensor:
    """An invented sensor: bias structure, read noise, dark current, vignetting, dust."""

    seed: int = 7
    cfa: str | None = "RGGB"

    def __post_init__(self):
        rng = np.random.default_rng(self.seed)
        self.rng = rng
        y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
        self.bias = BLACK + 3 * np.sin(x / 9) + rng.normal(0, 2, SHAPE[1]) + 0.01 * y
        self.current = rng.gamma(4, 0.05, SHAPE)  # e-/s at 10 °C
        hot = rng.choice(np.arange(SHAPE[0] * SHAPE[1]), 400, replace=False)
        self.hot = np.sort(hot)
        self.current.ravel()[self.hot] = rng.uniform(5, 60, hot.size)
        r2 = ((y - 96) / 160) ** 2 + ((x - 128) / 160) ** 2
        self.shape = 1 / (1 + 0.8 * r2) ** 2  # vignetting
        for cy, cx, size, depth in ((50, 60, 8, 0.12), (140, 200, 14, 0.06)):
            self.shape *= 1 - depth * np.exp(-((y - cy) ** 2 + (x - cx) ** 2) / size**2)
        self.shape *= rng.normal(1, 0.005, SHAPE)  # pixels differ in response
        self.colour = np.ones(SHAPE)
        if self.cfa:
            for p, c in enumerate(self.cfa):
                self.colour[p // 2 :: 2, p % 2 :: 2] = {"R": 0.6, "G": 1.0, "B": 0.8}[c]

    def expose(self, photons, exposure, temperature=10.0, noise=True):
        """ADU of one frame; photons is e-/s per pixel before optics and colour."""
        rng = self.rng
        warm = 2.0 ** ((temperature - 10.0) / 6.0)
        electrons = (photons * self.shape * self.colour + self.current * warm) * exposure
        if noise:
            electrons = rng.poisson(electrons) + rng.normal(0, READ_NOISE, SHAPE)
        adu = self.bias + electrons / GAIN
        return np.clip(np.round(adu) if noise else adu, 0, WHITE).astype(np.float32)

    def info(self, kind, exposure, **more):
        return FrameInfo(
            kind=kind,
            path=f"night/{kind.value}",
            camera="Aurel K1",
            exposure=exposure,
            shape=SHAPE,
            cfa=self.cfa,
            black=(BLACK,) * 4,
            white=WHITE,
            **more,
        )

    def frame(self, kind, data, exposure, **more):
        return Frame(data, np.zeros(SHAPE, np.uint8), self.info(kind, exposure, **more))

    def master(self, kind, photons, exposure, count=40, temperature=10.0):
        frames = [self.expose(photons, exposure, temperature) for _ in range(count)]
        data = np.mean(frames, axis=0, dtype=np.float64).astype(np.float32)
        return self.frame(kind, data, exposure, temperature=temperature)


def context(masters=None, **params):
    return Context(params=params, masters=masters or {})


def run(frame, masters=None, **params):
    return Calibrate().apply(frame, context(masters, **params))


@pytest.fixture(scope="module")
def sensor():
    return Sensor()


@pytest.fixture(scope="module")
def masters(sensor):
    bias = sensor.master(Kind.BIAS, 0, 0)
    flats = [sensor.frame(Kind.FLAT, sensor.expose(12000, 1.0), 1.0) for _ in range(60)]
    flats = [run(flat, {"bias": bias}) for flat in flats]
    mean = np.mean([f.data for f in flats], axis=0, dtype=np.float64).astype(np.float32)
    return {
        "bias": bias,
        "dark": sensor.master(Kind.DARK, 0, 60.0),
        "flat": replace(flats[0], data=mean),
    }


def expected(sensor, photons, exposure):
    """What a perfect calibration gives: the flat's level, one for each colour, is at unit."""
    middle = (slice(48, 144), slice(64, 192))
    level = np.empty(SHAPE)
    for c in set(sensor.cfa or "M"):
        where = sensor.colour == {"R": 0.6, "G": 1.0, "B": 0.8, "M": 1.0}[c]
        level[where] = sensor.shape[middle][where[middle]].mean()
    return photons * sensor.colour * level * exposure / GAIN


def test_it_is_a_frame_step_with_described_params():
    assert issubclass(Calibrate, FrameStep)
    assert not Calibrate.has_survey()
    for rule in Calibrate.params.values():
        assert rule["description"]
        assert "default" in rule


@pytest.mark.parametrize("cfa", ["RGGB", None])
def test_residual_vignetting_and_photometric_bias(cfa):
    sensor = Sensor(seed=11, cfa=cfa)
    bias = sensor.master(Kind.BIAS, 0, 0)
    dark = sensor.master(Kind.DARK, 0, 60.0)
    flat = sensor.frame(Kind.FLAT, sensor.expose(12000, 1.0, noise=False), 1.0)
    flat = run(flat, {"bias": bias})
    lights = [
        run(
            sensor.frame(Kind.LIGHT, sensor.expose(40, 60.0), 60.0),
            {"bias": bias, "dark": dark, "flat": flat},
        )
        for _ in range(60)
    ]
    sky = np.mean([frame.data for frame in lights], axis=0)
    ratio = sky / expected(sensor, 40, 60.0)
    # Photometry unbiased to 0.5%, vignetting left under 0.3% of sky: what the project promises.
    assert abs(np.median(ratio) - 1) < 0.002
    blocks = ratio[:192, :256].reshape(12, 16, 16, 16).swapaxes(1, 2)
    blocks = np.median(blocks.reshape(12, 16, -1), axis=2)
    assert np.ptp(blocks) < 0.006
    assert np.abs(blocks - np.median(blocks)).max() < 0.003
    y, x = np.mgrid[0:12, 0:16]
    r2 = (y - 5.5) ** 2 + (x - 7.5) ** 2
    assert abs(np.polyfit(r2.ravel(), blocks.ravel(), 1)[0] * r2.max()) < 0.0015
    assert lights[0].info.black == (0.0,)


def test_hot_pixels_are_flagged_and_repaired(sensor, masters):
    out = run(sensor.frame(Kind.LIGHT, sensor.expose(40, 60.0), 60.0), masters)
    hot = np.flatnonzero(out.flags & Flag.HOT)
    assert np.isin(sensor.hot, hot).all()
    assert hot.size - sensor.hot.size < 20
    assert (out.flags.ravel()[hot] & Flag.REPAIRED).all()
    truth = expected(sensor, 40, 60.0).ravel()[sensor.hot]
    noise = 45 / np.sqrt(6)  # photon noise of the median of 8
    assert abs(np.mean(out.data.ravel()[sensor.hot] - truth)) < 4 * noise / np.sqrt(400) + 2
    assert out.measures["hot_pixels"] == hot.size
    assert out.measures["repaired_pixels"] >= hot.size


def test_left_flagged_when_repair_is_off(sensor, masters):
    light = sensor.frame(Kind.LIGHT, sensor.expose(40, 60.0), 60.0)
    out = run(light, masters, repair=False)
    assert np.isin(sensor.hot, np.flatnonzero(out.flags & Flag.HOT)).all()
    assert not (out.flags & Flag.REPAIRED).any()
    assert out.measures["repaired_pixels"] == 0


def test_a_dark_of_another_exposure_is_scaled(sensor, masters):
    lights = [sensor.frame(Kind.LIGHT, sensor.expose(0, 180.0), 180.0) for _ in range(20)]
    outs = [run(f, {k: masters[k] for k in ("bias", "dark")}, repair=False) for f in lights]
    mean = np.mean([out.data for out in outs], axis=0)
    assert outs[0].measures["dark_scale"] == 3
    assert abs(np.mean(mean)) < 0.6
    inside = sensor.current.ravel()[sensor.hot] * 180 / GAIN < 10000
    left = mean.ravel()[sensor.hot][inside]
    assert np.abs(np.mean(left)) < 10
    assert "scaled by 3 from 60 s to 180 s" in outs[0].history[-1]


@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("temperature", [4.0, 10.0, 16.0])
def test_the_dark_scale_is_fitted_within_its_uncertainty(temperature, known):
    sensor = Sensor(seed=int(temperature))
    rng = sensor.rng
    truth = 2.0 ** ((temperature - 10) / 6)
    facts = {"gain": GAIN, "read_noise": READ_NOISE} if known else {}
    pulls, sigmas = [], []
    for _ in range(12):
        photons = np.full(SHAPE, 20.0)
        ys, xs = rng.integers(2, SHAPE[0] - 2, 60), rng.integers(2, SHAPE[1] - 2, 60)
        photons[ys, xs] += rng.uniform(100, 3000, 60)  # stars, some upon hot pixels
        light = sensor.frame(Kind.LIGHT, sensor.expose(photons, 60.0, temperature), 60.0, **facts)
        both = {
            "bias": sensor.master(Kind.BIAS, 0, 0, count=10),
            "dark": sensor.master(Kind.DARK, 0, 60.0, count=10),
        }
        out = run(light, both, dark_scaling="fit")
        scale, sigma = out.measures["dark_scale"], out.measures["dark_scale_sigma"]
        pulls.append((scale - truth) / sigma)
        sigmas.append(sigma)
    assert np.mean(sigmas) < 0.01 * truth
    # Twelve standard normal pulls: mean within 3 / sqrt(12), rms within the 99.9% of chi-square.
    assert abs(np.mean(pulls)) < 0.9
    assert 0.4 < np.sqrt(np.mean(np.square(pulls))) < 1.7


def test_without_hot_pixels_to_fit_the_exposure_decides(sensor, masters):
    dark = masters["dark"]
    cool = dark.data.copy()
    cool.ravel()[sensor.hot] = np.median(cool)
    out = run(
        sensor.frame(Kind.LIGHT, sensor.expose(20, 120.0), 120.0),
        {"bias": masters["bias"], "dark": replace(dark, data=cool)},
        dark_scaling="fit",
    )
    assert out.measures["dark_scale"] == 2
    assert "dark_scale_sigma" not in out.measures
    assert "usable hot pixels" in out.history[-1]


def test_dark_without_its_bias_is_recognised(sensor, masters):
    bare = run(masters["dark"], {"bias": masters["bias"]})
    assert bare.info.black == (0.0,)
    light = sensor.frame(Kind.LIGHT, sensor.expose(30, 60.0), 60.0)
    with_bias = run(light, masters)
    without = run(light, {**masters, "dark": bare})
    # Which pixels count as hot may differ at the threshold.
    same = (with_bias.flags | without.flags) & Flag.REPAIRED == 0
    np.testing.assert_allclose(without.data[same], with_bias.data[same], atol=0.01)
    unnamed = replace(bare, info=replace(bare.info, black=None))
    by_level = run(light, {**masters, "dark": unnamed})
    np.testing.assert_array_equal(by_level.data, without.data)


def without_black(frame):
    return replace(frame, info=replace(frame.info, black=None))


def test_without_a_bias_the_black_level_tells_the_dark_signal(sensor, masters):
    """Truth: 120 s have twice the dark signal of 60 s, whichever way that is found."""
    light = sensor.frame(Kind.LIGHT, sensor.expose(30, 120.0), 120.0)
    for scaling in ("exposure", "fit"):
        known = run(light, {"dark": masters["dark"]}, dark_scaling=scaling)
        assert known.measures["dark_scale"] == pytest.approx(2, rel=0.01)


def test_without_any_offset_the_dark_is_left_as_it_is_and_its_fault_told(sensor, masters):
    """Truth: the light has twice the dark's signal, so as much again stays: 100%."""
    light = without_black(sensor.frame(Kind.LIGHT, sensor.expose(30, 120.0), 120.0))
    dark = without_black(masters["dark"])
    for scaling, told in (("exposure", 100), ("fit", pytest.approx(100, abs=2)), ("none", None)):
        out = run(light, {"dark": dark}, dark_scaling=scaling, repair=False)
        np.testing.assert_allclose(out.data, light.data - dark.data, atol=1e-3)
        assert "not scaled" in out.history[-1]
        assert out.measures.get("dark_unmatched") == told


def test_flats_that_keep_their_offset_do_not_say_that_it_was_subtracted(sensor):
    flat = without_black(sensor.frame(Kind.FLAT, sensor.expose(9000, 1.0), 1.0))
    assert run(flat).info.black is None
    assert "nothing subtracted" in run(flat).history[-1]


def test_no_masters_leaves_the_black_level(sensor):
    light = sensor.frame(Kind.LIGHT, sensor.expose(30, 60.0), 60.0)
    out = run(light)
    np.testing.assert_allclose(out.data, light.data - BLACK, atol=1e-3)
    assert "black level 500" in out.history[-1]


def test_black_level_differs_by_cfa_position(sensor):
    light = sensor.frame(Kind.LIGHT, np.full(SHAPE, 700, np.float32), 60.0)
    light = replace(light, info=replace(light.info, black=(100.0, 200.0, 300.0, 400.0)))
    out = run(light)
    assert out.data[:2, :2].tolist() == [[600, 500], [400, 300]]


def test_a_flat_takes_its_dark_flat_before_the_bias(sensor, masters):
    flat = sensor.frame(Kind.FLAT, sensor.expose(5000, 1.0), 1.0)
    dark_flat = replace(masters["bias"], data=masters["bias"].data + 40)
    out = run(flat, {"bias": masters["bias"], "dark-flat": dark_flat})
    np.testing.assert_allclose(out.data, flat.data - dark_flat.data, atol=0.01)
    assert out.info.white == pytest.approx(WHITE - np.median(masters["bias"].data), abs=1)
    # A light has no use for a dark flat.
    light = sensor.frame(Kind.LIGHT, sensor.expose(30, 60.0), 60.0)
    assert np.array_equal(
        run(light, {**masters, "dark-flat": dark_flat}).data, run(light, masters).data
    )


def test_pedestal_is_added_to_lights_only(sensor, masters):
    light = sensor.frame(Kind.LIGHT, sensor.expose(30, 60.0), 60.0)
    plain, raised = run(light, masters), run(light, masters, pedestal=100)
    np.testing.assert_allclose(raised.data, plain.data + 100, atol=0.01)
    assert raised.info.black == (100.0,)
    assert run(masters["dark"], {"bias": masters["bias"]}, pedestal=100).info.black == (0.0,)


def test_cold_and_dead_pixels(sensor, masters):
    flat = masters["flat"].data.copy()
    flat[10, 11] *= 0.3
    flat[20, 21] = 0
    flat[30, 31] = np.nan
    light = sensor.frame(Kind.LIGHT, sensor.expose(40, 60.0), 60.0)
    out = run(light, {**masters, "flat": replace(masters["flat"], data=flat)})
    for place in ((10, 11), (20, 21), (30, 31)):
        assert out.flags[place] & Flag.COLD
        assert out.flags[place] & Flag.REPAIRED
        assert abs(out.data[place] / expected(sensor, 40, 60.0)[place] - 1) < 0.2
    assert out.measures["cold_pixels"] == 3
    assert np.isfinite(out.data).all()


def test_saturated_and_clipped_by_the_raw_value(sensor, masters):
    data = sensor.expose(40, 60.0)
    data[5, 5] = WHITE
    data[6, 6] = 0
    out = run(sensor.frame(Kind.LIGHT, data, 60.0), masters)
    assert out.flags[5, 5] == Flag.SATURATED
    assert out.flags[6, 6] == Flag.CLIPPED
    assert out.measures["clipped_pixels"] == 1
    assert out.measures["saturated_pixels"] == 1


def test_a_repaired_pixel_in_a_saturated_core_stays_saturated(sensor, masters):
    data = sensor.expose(40, 60.0)
    y, x = divmod(int(sensor.hot[200]), SHAPE[1])
    data[y - 3 : y + 4, x - 3 : x + 4] = WHITE
    out = run(sensor.frame(Kind.LIGHT, data, 60.0), masters)
    assert out.flags[y, x] & (Flag.SATURATED | Flag.REPAIRED) == Flag.SATURATED | Flag.REPAIRED


def test_not_a_number_becomes_no_data(sensor, masters):
    data = sensor.expose(40, 60.0)
    data[7, 8] = np.nan
    out = run(sensor.frame(Kind.LIGHT, data, 60.0), masters)
    assert out.flags[7, 8] & Flag.NO_DATA
    assert out.data[7, 8] == 0


def test_whole_numbers_are_welcome(sensor, masters):
    light = sensor.frame(Kind.LIGHT, sensor.expose(40, 60.0), 60.0)
    whole = replace(light, data=light.data.astype(np.uint16))
    np.testing.assert_array_equal(run(whole, masters).data, run(light, masters).data)


def test_inputs_are_left_alone(sensor, masters):
    light = sensor.frame(Kind.LIGHT, sensor.expose(40, 60.0), 60.0)
    before = light.data.copy(), light.flags.copy(), masters["dark"].flags.copy()
    for master in masters.values():
        master.data.flags.writeable = False
    run(light, masters, dark_scaling="fit")
    assert np.array_equal(light.data, before[0])
    assert np.array_equal(light.flags, before[1])
    assert np.array_equal(masters["dark"].flags, before[2])


# ------------------------------------------------------------------------------- wrong inputs


def test_dark_brighter_than_the_light(sensor, masters):
    capped = sensor.frame(Kind.LIGHT, sensor.expose(0, 60.0, temperature=-20), 60.0)
    warm = sensor.master(Kind.DARK, 0, 60.0, count=4, temperature=40.0)
    with pytest.raises(SetAside, match=r"light is darker than its dark dark: median 5\d\d\.\d"):
        run(capped, {"bias": masters["bias"], "dark": warm})


def test_flat_with_zeros_is_refused_with_the_count(sensor, masters):
    flat = masters["flat"].data.copy()
    flat[:20] = 0
    bad = replace(masters["flat"], data=flat)
    light = sensor.frame(Kind.LIGHT, sensor.expose(40, 60.0), 60.0)
    with pytest.raises(StepError, match=r"master flat flat has 5120 of 49152 pixels"):
        run(light, {**masters, "flat": bad})


def test_flat_near_saturation(sensor, masters):
    flat = sensor.frame(Kind.FLAT, np.full(SHAPE, 15900, np.float32), 1.0)
    with pytest.raises(SetAside, match="near saturation"):
        run(flat, {"bias": masters["bias"]})
    master = replace(masters["flat"], data=np.full(SHAPE, 15400, np.float32))
    light = sensor.frame(Kind.LIGHT, sensor.expose(40, 60.0), 60.0)
    with pytest.raises(StepError, match="shorter exposure"):
        run(light, {**masters, "flat": master})
    flagged = replace(masters["flat"], flags=np.full(SHAPE, Flag.SATURATED, np.uint8))
    with pytest.raises(StepError, match=r"saturated in 100\.0%"):
        run(light, {**masters, "flat": flagged})


def test_flat_with_its_bias_in_it(sensor, masters):
    raw = sensor.master(Kind.FLAT, 5000, 1.0, count=2)
    light = sensor.frame(Kind.LIGHT, sensor.expose(40, 60.0), 60.0)
    with pytest.raises(StepError, match="still has its bias"):
        run(light, {**masters, "flat": raw})


def test_flat_of_unknown_past_is_warned_about(sensor, masters, caplog):
    flat = replace(masters["flat"], info=replace(masters["flat"].info, black=None))
    light = sensor.frame(Kind.LIGHT, sensor.expose(40, 60.0), 60.0)
    with caplog.at_level(logging.WARNING):
        for _ in range(3):
            run(light, {**masters, "flat": flat})
    assert caplog.text.count("nothing says that its offset was subtracted") == 1


def test_other_size_and_other_pattern(sensor, masters):
    light = sensor.frame(Kind.LIGHT, sensor.expose(40, 60.0), 60.0)
    small = replace(
        masters["bias"], data=masters["bias"].data[:100], flags=np.zeros((100, 256), np.uint8)
    )
    with pytest.raises(SetAside, match=r"192 × 256 pixels and the master bias bias 100 × 256"):
        run(light, {"bias": small})
    turned = replace(masters["bias"], info=replace(masters["bias"].info, cfa="GRBG"))
    with pytest.raises(SetAside, match="CFA pattern RGGB and the master bias bias GRBG"):
        run(light, {"bias": turned})


def test_colour_is_refused(sensor):
    colour = Frame(np.zeros((3, 4, 4), np.float32), np.zeros((4, 4), np.uint8), FrameInfo())
    with pytest.raises(SetAside, match="3 colour planes"):
        run(colour)


# ----------------------------------------------------------------------------------- overscan


def overscanned(sensor, kind, photons, exposure, drift):
    data = np.hstack([sensor.expose(photons, exposure), np.full((SHAPE[0], 24), BLACK)]) + drift
    data[:, SHAPE[1] :] += sensor.rng.normal(0, 3, (SHAPE[0], 24))
    info = replace(sensor.info(kind, exposure), shape=data.shape)
    return Frame(data.astype(np.float32), np.zeros(data.shape, np.uint8), info)


def test_overscan_takes_out_a_drifting_bias_level(sensor):
    regions = {"overscan": [0, 192, 258, 280], "trim": [0, 192, 1, 256]}
    bias = overscanned(sensor, Kind.BIAS, 0, 0, drift=0)
    light = overscanned(sensor, Kind.LIGHT, 40, 60.0, drift=37)
    still = overscanned(sensor, Kind.LIGHT, 40, 60.0, drift=0)
    outs = [run(f, {"bias": bias}, **regions) for f in (light, still)]
    assert outs[0].measures["overscan_level"] == pytest.approx(BLACK + 37, abs=0.5)
    assert np.median(outs[0].data) == pytest.approx(np.median(outs[1].data), abs=3)
    assert outs[0].shape == (192, 255)
    assert outs[0].info.shape == (192, 255)
    assert outs[0].info.cfa == "GRBG"  # an odd cut turns the pattern
    # What the header says does as well as what the recipe says.
    told = replace(
        light, info=replace(light.info, overscan=(0, 192, 258, 280), trim=(0, 192, 1, 256))
    )
    assert (run(told, {"bias": bias}).data == outs[0].data).all()
    # A bias that was already corrected and trimmed serves as well.
    done = run(bias, **regions)
    np.testing.assert_allclose(run(light, {"bias": done}, **regions).data, outs[0].data, atol=1e-3)


def test_overscan_by_row_follows_each_row(sensor):
    light = overscanned(sensor, Kind.LIGHT, 0, 0, drift=0)
    stripes = light.data + 20 * (np.arange(SHAPE[0]) // 8 % 2)[:, np.newaxis]
    light = replace(light, data=stripes.astype(np.float32))
    regions = {"overscan": [0, 192, 256, 280], "trim": [0, 192, 0, 256]}
    rows = np.median(run(light, overscan_by="row", **regions).data, axis=1)
    assert np.std(rows) < 1.5
    assert np.std(np.median(run(light, **regions).data, axis=1)) > 9


def test_saturation_is_judged_before_overscan(sensor):
    light = overscanned(sensor, Kind.LIGHT, 40, 60.0, drift=0)
    light.data[3, 4] = WHITE
    out = run(light, overscan=[0, 192, 256, 280], trim=[0, 192, 0, 256])
    assert out.flags[3, 4] & Flag.SATURATED
    assert out.measures["saturated_pixels"] == np.count_nonzero(light.data >= WHITE)


def test_region_outside_the_frame(sensor):
    light = sensor.frame(Kind.LIGHT, sensor.expose(40, 60.0), 60.0)
    with pytest.raises(StepError, match=r"overscan region \[0, 500, 0, 4\] is not inside"):
        run(light, overscan=[0, 500, 0, 4])
