"""Exposure advice from invented lights whose sky is known."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from coldframe.camera.advice import Wish, advise, round_exposure
from coldframe.camera.exposure import (
    added_by_reading,
    exposure_for,
    further_frames,
    per_hour,
    propagate,
    signal_to_noise,
    worth,
)
from coldframe.camera.file import CameraFile, DarkRate, Setting
from coldframe.camera.transfer import Value
from coldframe.errors import UsageError
from coldframe.frame import Frame, FrameInfo, Kind

GAIN, READ, SKY, EXPOSURE = 0.5, 3.0, 2.0, 60.0
SHAPE = (200, 300)
FILE = CameraFile(
    "Nachtauge T1",
    settings=(
        Setting(
            gain_setting=100.0, gain=GAIN, gain_error=0.005, read_noise=READ,
            read_noise_adu=READ / GAIN, read_noise_adu_error=0.02, black=(500.0,), white=60000.0,
            dark=(DarkRate(-10.0, 0.02, 0.001, 0.01, 0.0005),),
        ),
    ),
)  # fmt: skip


@pytest.fixture(scope="module")
def night():
    """Eight lights of a sky that brightens by 1% a frame, 10 s apart, and four bias frames."""
    rng = np.random.default_rng(2)
    frames = {}
    start = datetime(2026, 3, 14, 22, 0, tzinfo=UTC)
    for i in range(12):
        light = i < 8
        sky = SKY * (1 + 0.01 * (i - 3.5)) * EXPOSURE
        electrons = rng.poisson(sky, SHAPE) if light else np.zeros(SHAPE)
        if light:
            electrons[50:54, 60:64] += 5000  # a star
        data = np.round((electrons + rng.normal(0, READ, SHAPE)) / GAIN + 500).astype(np.uint16)
        info = FrameInfo(
            kind=Kind.LIGHT if light else Kind.BIAS, path=f"/night/{i:02}.fits",
            camera="Nachtauge T1", gain_setting=100.0, exposure=EXPOSURE if light else 0.001,
            shape=SHAPE, temperature=-10.0, start=start + timedelta(seconds=i * (EXPOSURE + 10)),
        )  # fmt: skip
        frames[info.path] = Frame(data, np.zeros(SHAPE, np.uint8), info)
    return frames


def ask(night, wish=None, cameras=(FILE,), only=None):
    infos = [f.info for f in night.values() if only is None or f.info.kind is only]
    return advise(infos, cameras, lambda info: night[info.path], wish or Wish())


def test_advised_exposure_is_that_of_the_true_sky(night):
    (advice,) = ask(night)
    truth = (READ**2 + GAIN**2 / 12) / (SKY * (1.05**2 - 1))
    assert advice.advised.exposure == pytest.approx(truth, rel=0.02)
    assert advice.advised.added.value == pytest.approx(0.05, abs=1e-9)
    assert advice.colours[0].background.value == pytest.approx(SKY, rel=0.01)
    assert abs(advice.advised.exposure - truth) < 2 * advice.slowest.exposure.error
    assert advice.dark == pytest.approx(0.01)


def test_uncertainty_holds_the_skys_own_change(night):
    (advice,) = ask(night)
    spread = SKY * 0.01 * 1.4826 * 2  # MAD of eight even steps is two steps
    assert advice.colours[0].background.error == pytest.approx(spread, rel=0.25)


def test_pauses_are_told_by_the_lights_times(night):
    (advice,) = ask(night)
    assert advice.overhead == pytest.approx(10.0)
    (given,) = ask(night, Wish(overhead=3.0))
    assert (given.overhead, given.overhead_from) == (3.0, "as given")


def test_depth_takes_the_square_of_the_gain(night):
    (advice,) = ask(night, Wish(depth=0.7526))  # a factor 2 in noise: four times the lights
    now = next(c for c in advice.choices if c.exposure == EXPOSURE)
    assert now.further.value == pytest.approx(3 * 8, rel=0.01)
    assert now.hours.value == pytest.approx(3 * 8 * 70 / 3600, rel=0.01)
    assert 0 < now.further.error < 2


def test_longer_exposures_lose_less_to_reading(night):
    (advice,) = ask(night)
    efficiencies = [c.efficiency for c in advice.choices]
    assert efficiencies == sorted(efficiencies)
    assert max(efficiencies) < 1
    levels = [c.sky_share for c in advice.choices]
    assert levels == sorted(levels)
    assert levels[0] > 0


def test_offset_comes_from_bias_else_camera_file(night):
    (with_bias,) = ask(night)
    (without,) = ask(night, only=Kind.LIGHT)
    assert with_bias.offset.source == "the bias frames"
    assert without.offset.source == "the camera file"
    assert without.advised.exposure == pytest.approx(with_bias.advised.exposure, rel=0.02)


def test_what_is_missing_is_said(night):
    with pytest.raises(UsageError, match="coldframe camera measure"):
        ask(night, cameras=())
    with pytest.raises(UsageError, match="no light"):
        ask(night, only=Kind.BIAS)


def test_ccd_equation_in_its_limits():
    # Without read noise only the total time counts.
    assert per_hour(0.1, 2, 0, 10, 0) == pytest.approx(per_hour(0.1, 2, 0, 300, 0))
    # Without background and read noise: photon noise, S/N = sqrt(N).
    assert signal_to_noise(4.0, 0.0, 0.0, 25.0) == pytest.approx(10.0)
    # N frames: sqrt(N) times one.
    one = signal_to_noise(0.1, 2, 3, 60)
    assert signal_to_noise(0.1, 2, 3, 60, 16) == pytest.approx(4 * one)
    # A faint object's S/N is the root of the summed worths times its rate.
    faint = signal_to_noise(1e-9, 2, 3, 60, 16)
    assert faint == pytest.approx(1e-9 * math.sqrt(16 * worth(2, 3, 60)))


def test_exposure_and_added_noise_are_inverse():
    for share in (0.01, 0.05, 0.5):
        assert added_by_reading(2.0, 3.0, exposure_for(2.0, 3.0, share)) == pytest.approx(share)


def test_further_frames_of_another_exposure_weigh_by_worth():
    have = [worth(2, 3, 60)] * 10
    n = further_frames(have, worth(2, 3, 120), 0.5)
    total = sum(have) + n * worth(2, 3, 120)
    assert math.sqrt(total / sum(have)) == pytest.approx(10**0.2)


def test_propagation_is_the_linear_law():
    out = propagate(lambda a, b: a * b, Value(3.0, 0.3), Value(5.0, 0.1))
    assert out.value == 15.0
    assert out.error == pytest.approx(math.hypot(5 * 0.3, 3 * 0.1))


def test_exposures_are_rounded_as_people_set_them():
    assert [round_exposure(t) for t in (0.01234, 1.26, 47.4, 183.0)] == [0.012, 1.3, 47, 180]


def at_iso(night, iso):
    """The same frames as of a camera with ISO numbers."""
    infos = [replace(f.info, gain_setting=None, iso=iso) for f in night.values()]
    return infos, lambda info: replace(night[info.path], info=info)


def test_gain_at_another_iso_is_scaled_with_its_uncertainty_and_said(night):
    infos, read = at_iso(night, 1600)
    # Gain at ISO 200 of a camera whose gain goes as 1 / ISO: eight times that at ISO 1600.
    other = Setting(iso=200, gain=8 * GAIN, gain_error=0.02, read_noise=4.0, read_noise_adu=1.0)
    far = Setting(iso=100, gain=99.0, read_noise=4.0, read_noise_adu=1.0)
    file = CameraFile("Nachtauge T1", settings=(far, other), path="/x/t1.yaml")
    (advice,) = advise(infos, (file,), read, Wish())
    assert advice.gain.value == pytest.approx(GAIN)
    assert advice.gain.error / advice.gain.value == pytest.approx(0.1, abs=0.002)
    assert advice.read_noise.value == pytest.approx(math.hypot(READ, GAIN / 12**0.5), rel=0.02)
    (note,) = [note for note in advice.notes if "ISO" in note]
    assert "that of ISO 200 in t1.yaml (4 e-/ADU)" in note
    assert "the bias frames" in note
    truth = (READ**2 + GAIN**2 / 12) / (SKY * (1.05**2 - 1))
    assert abs(advice.advised.exposure - truth) < 2 * advice.slowest.exposure.error
    # Read noise of the very setting in the file goes before the bias frames.
    own = Setting(iso=1600, read_noise_adu=7.0)
    (told,) = advise(infos, (replace(file, settings=(other, own)),), read, Wish())
    assert told.read_noise.value == pytest.approx(GAIN * math.sqrt(49 + 1 / 12))


def test_what_the_file_knows_is_said_where_it_does_not_do(night):
    infos, read = at_iso(night, 1600)
    lights = [info for info in infos if info.kind is Kind.LIGHT]
    other = Setting(iso=200, gain=4.0, read_noise=4.0, read_noise_adu=1.0)
    file = CameraFile("Nachtauge T1", settings=(other,), path="/x/t1.yaml")
    with pytest.raises(UsageError, match=r"t1\.yaml knows gain and read noise at ISO 200"):
        advise(lights, (file,), read, Wish())
    noise = replace(file, settings=(Setting(iso=1600, read_noise_adu=7.0),))
    with pytest.raises(UsageError, match=r"knows read noise in ADU only at ISO 1600"):
        advise(infos, (noise,), read, Wish())
    with pytest.raises(UsageError, match=r"knows gain and read noise at gain 100"):
        advise(infos, (replace(FILE, path="/x/t1.yaml"),), read, Wish())
