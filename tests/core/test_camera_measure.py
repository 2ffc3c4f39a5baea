"""A camera measured from simulated frames whose truth is known (coldframe.demo.sensor)."""

import numpy as np
import pytest

from coldframe.camera.measure import Options, measure_camera
from coldframe.camera.sets import gather
from coldframe.demo.scenario import COLOUR_CAMERA, MONO_CAMERA
from coldframe.demo.sensor import expose, make_sensor
from coldframe.errors import SetAside, UsageError
from coldframe.frame import Flag, Frame, FrameInfo, Kind

SHAPE = (240, 320)


class Bench:
    """A camera on a bench: takes frames and hands them out by path."""

    def __init__(self, camera, seed=5):
        self.camera, self.rng = camera, np.random.default_rng(seed)
        self.sensor = make_sensor(camera, SHAPE, self.rng)
        y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
        radius = ((y - 120) ** 2 + (x - 160) ** 2) / (120**2 + 160**2)
        self.shading = (1 - 0.25 * radius).astype(np.float32)
        self.frames, self.infos = {}, []

    def shoot(self, kind, count, exposure, temperature=15.0, light=None, setting=100, **facts):
        for _ in range(count):
            level = None
            if light is not None:
                drift = self.rng.normal(1, 0.01)  # no lamp and no twilight is steady
                level = self.shading * np.float32(light * exposure * drift)
            data = expose(self.sensor, level, exposure, temperature, setting, self.rng)
            info = FrameInfo(
                kind=kind, path=f"/bench/{len(self.infos):04}.fits", camera=self.camera.name,
                exposure=exposure, temperature=temperature, iso=setting, cfa=self.camera.cfa,
                shape=SHAPE, binning=(1, 1), **facts,
            )  # fmt: skip
            flags = np.where(data >= self.camera.white, Flag.SATURATED, 0).astype(np.uint8)
            self.frames[info.path] = Frame(data, flags, info)
            self.infos.append(info)

    def read(self, info):
        return self.frames[info.path]

    def measure(self, **options):
        return measure_camera(self.infos, self.read, Options(**options))


@pytest.fixture(scope="module", params=[COLOUR_CAMERA, MONO_CAMERA], ids=["colour", "mono"])
def whole(request):
    """Everything that a full measurement needs."""
    bench = Bench(request.param)
    bench.shoot(Kind.BIAS, 16, 0.0002)
    for temperature in (-5.0, 5.0, 15.0):
        bench.shoot(Kind.DARK, 6, 240.0, temperature)
    top = request.param.full_well * 1.45
    for exposure in np.geomspace(0.02, 1.0, 16):
        bench.shoot(Kind.FLAT, 2, float(exposure), light=top)
    return bench, bench.measure()


def test_gain_and_read_noise_are_the_truth(whole):
    bench, measured = whole
    setting = measured.settings[0].setting
    assert setting.gain == pytest.approx(bench.camera.gain(100), rel=0.01)
    assert setting.read_noise == pytest.approx(bench.camera.read_noise(100), rel=0.02)
    # The truth lies within what the uncertainties say, with room for bad luck.
    assert abs(setting.gain - bench.camera.gain(100)) < 4 * setting.gain_error
    assert abs(setting.read_noise - bench.camera.read_noise(100)) < 4 * setting.read_noise_error
    assert setting.gain_error < 0.01 * setting.gain


def test_full_well_and_white_level_are_the_truth(whole):
    bench, measured = whole
    setting = measured.settings[0].setting
    camera = bench.camera
    assert setting.full_well_reached
    assert setting.full_well == pytest.approx(camera.full_well, rel=0.01)
    top = camera.full_well / camera.gain(100) + np.mean(camera.black)
    assert top * 0.99 < setting.white < top


def test_dark_current_doubles_as_it_does(whole):
    bench, measured = whole
    setting = measured.settings[0].setting
    assert setting.doubling == pytest.approx(bench.camera.doubling, rel=0.02)
    hot = bench.camera.hot
    for rate in setting.dark:
        glow = bench.sensor.dark.mean() * bench.camera.warmth(rate.temperature)
        typical = bench.camera.mean_dark(rate.temperature)
        assert typical * 0.97 < rate.rate < glow * 1.03
        assert 0.3 * hot < rate.hot_share < 4 * hot  # the glowing corner has some too


def test_unevenness_by_colour_is_the_truth(whole):
    bench, measured = whole
    setting = measured.settings[0].setting
    assert set(setting.dsnu) == (set("RGB") if bench.camera.cfa else {"mono"})
    for value in setting.dsnu.values():
        assert value == pytest.approx(bench.sensor.offset.std(), rel=0.08)
    for value in setting.prnu.values():
        assert value == pytest.approx(100 * bench.camera.prnu, rel=0.06)


def test_unsteady_light_shows_as_nonlinearity(whole):
    """The lamp's 1% is in it, which is why the report says "if the light was steady"."""
    low, high = whole[1].settings[0].setting.linearity
    assert -4 < low < 0 < high < 4


def test_nothing_is_missing_after_all_frames(whole):
    assert [n.result for n in whole[1].settings[0].needs if not n.there] == []


def test_bias_alone_gives_read_noise_in_adu_and_says_what_the_rest_needs():
    bench = Bench(MONO_CAMERA)
    bench.shoot(Kind.BIAS, 8, 0.0002)
    result = bench.measure().settings[0]
    assert result.setting.read_noise_adu == pytest.approx(3.0 / 0.8, rel=0.02)
    assert result.setting.gain is None
    assert result.setting.read_noise is None
    missing = {n.result: n.missing for n in result.needs if not n.there}
    assert "flats" in missing["gain"]
    assert "darks" in missing["dark current"]
    assert "read noise" not in missing


def test_flats_of_one_level_give_a_gain_with_a_caution():
    bench = Bench(COLOUR_CAMERA)
    bench.shoot(Kind.BIAS, 8, 0.0002)
    bench.shoot(Kind.FLAT, 8, 0.5, light=60_000)
    result = bench.measure().settings[0]
    assert result.setting.gain == pytest.approx(3.8, rel=0.01)
    assert result.setting.full_well_reached is False
    assert any("1 level" in note for note in result.notes)


def test_flats_without_bias_use_dark_flats_of_their_exposure():
    bench = Bench(MONO_CAMERA)
    bench.shoot(Kind.DARK_FLAT, 6, 0.5)
    bench.shoot(Kind.FLAT, 6, 0.5, light=40_000)
    assert bench.measure().settings[0].setting.gain == pytest.approx(0.8, rel=0.015)


def test_flats_without_anything_dark_are_not_used_and_that_is_said():
    bench = Bench(MONO_CAMERA)
    bench.shoot(Kind.FLAT, 4, 0.5, light=40_000)
    with pytest.raises(UsageError, match="nothing could be measured"):
        bench.measure()


def test_read_noise_from_darks_of_two_exposures():
    bench = Bench(MONO_CAMERA)
    bench.shoot(Kind.DARK, 6, 60.0, 0.0)
    bench.shoot(Kind.DARK, 6, 240.0, 0.0)
    result = bench.measure().settings[0]
    assert result.setting.read_noise_adu == pytest.approx(3.0 / 0.8, rel=0.03)
    assert any("carried back" in note for note in result.notes)


def test_a_camera_that_hides_its_dark_level_is_measured_by_noise():
    bench = Bench(MONO_CAMERA)
    bench.shoot(Kind.BIAS, 8, 0.0002)
    bench.shoot(Kind.DARK, 8, 240.0, 10.0)
    bench.shoot(Kind.FLAT, 4, 0.5, light=40_000)
    bench.shoot(Kind.FLAT, 4, 0.25, light=40_000)
    for path, frame in bench.frames.items():
        if frame.info.kind is Kind.DARK:
            level = float(np.median(frame.data)) - 1000
            data = np.round(frame.data - level).clip(0).astype(np.uint16)
            bench.frames[path] = frame.with_pixels(data)
    result = bench.measure().settings[0]
    assert any("from the noise" in note for note in result.notes)
    assert result.setting.dark[0].rate == pytest.approx(bench.camera.mean_dark(10.0), rel=0.15)


def test_converter_end_is_found_where_values_pile_up():
    bench = Bench(MONO_CAMERA)
    bench.shoot(Kind.BIAS, 4, 0.0002)
    for path, frame in list(bench.frames.items()):
        bench.frames[path] = frame
    for exposure in (0.2, 0.4, 0.8, 1.2):
        bench.shoot(Kind.FLAT, 2, exposure, light=40_000)
    for path, frame in bench.frames.items():  # a converter that stops at 20,000
        bench.frames[path] = frame.with_pixels(np.minimum(frame.data, 20_000))
    setting = bench.measure().settings[0].setting
    assert setting.white == 20_000
    assert setting.full_well == pytest.approx(19_000 * 0.8, rel=0.01)
    assert setting.gain == pytest.approx(0.8, rel=0.015)


def test_only_the_middle_is_measured_when_asked():
    bench = Bench(COLOUR_CAMERA)
    bench.shoot(Kind.BIAS, 4, 0.0002)
    for frame in bench.frames.values():
        frame.data[:40] = 9000
    wide, narrow = bench.measure(), bench.measure(area=0.5)
    assert max(narrow.camera.settings[0].black) < 520
    assert max(wide.camera.settings[0].black) > 1000


def test_two_cameras_are_refused_and_named():
    bench = Bench(MONO_CAMERA)
    bench.shoot(Kind.BIAS, 2, 0.0002)
    other = FrameInfo(kind=Kind.BIAS, path="/bench/x", camera="Other", shape=SHAPE)
    with pytest.raises(UsageError, match=r"more than one camera.*Other"):
        measure_camera([*bench.infos, other], bench.read)


def test_an_unreadable_frame_is_set_aside_by_name():
    bench = Bench(MONO_CAMERA)
    bench.shoot(Kind.BIAS, 4, 0.0002)

    def read(info):
        if info.path.endswith("0002.fits"):
            raise SetAside("0002.fits: is truncated")
        return bench.read(info)

    measured = measure_camera(bench.infos, read)
    assert measured.set_aside == (("0002.fits", "0002.fits: is truncated"),)
    assert measured.settings[0].setting.read_noise_adu is not None


@pytest.mark.parametrize("offset", [None, (100.0, 102.0, 98.0, 101.0)])
def test_each_colour_of_a_set_is_measured_by_itself(offset: tuple[float, ...] | None) -> None:
    rng = np.random.default_rng(5)
    levels = np.tile([[300.0, 500.0], [400.0, 900.0]], (35, 25))
    frames = [np.rint(rng.normal(scale * levels, 9.0)) for scale in (1.0, 1.1, 0.9, 1.05)]
    together = gather(frames, "RGGB", offset)
    for place in range(4):
        part = np.s_[place // 2 :: 2, place % 2 :: 2]
        own = offset[place : place + 1] if offset else None
        alone = gather([frame[part] for frame in frames], None, own)
        np.testing.assert_array_equal(together.mean[part], alone.mean)
        np.testing.assert_array_equal(together.temporal[part], alone.temporal)
        assert together.signal[place] == alone.signal[0]
