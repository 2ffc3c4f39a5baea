"""What a frame was shot as, told from simulated pixels: Poisson light on a sensor with faults."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from coldframe.frame import Flag, FrameInfo, Kind
from coldframe.kinds import SOME_STARS, Peers, recognise, same_exposure
from coldframe.look import Look, look

SHAPE = (512, 768)
TINTS = {"R": 0.55, "G": 1.0, "B": 0.7}
COLOUR = FrameInfo(cfa="GRBG", black=(512.0, 510.0, 513.0, 511.0), white=16383.0, exposure=120.0)
MONO = FrameInfo(exposure=60.0)
GAIN = 0.5  # e-/ADU
LIGHTS = Peers(star_exposures=(120.0,), shortest=1 / 4000)


class Camera:
    """Makes frames; every method adds something and returns the camera."""

    def __init__(self, info: FrameInfo, seed: int = 1) -> None:
        self.info = info
        self.rng = np.random.default_rng(seed)
        self.electrons = np.zeros(SHAPE)
        self.y, self.x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)

    def colour(self) -> np.ndarray:
        """How strongly each pixel's filter lets the light through."""
        if self.info.cfa is None:
            return np.ones(SHAPE)
        cell = np.array([TINTS[c] for c in self.info.cfa]).reshape(2, 2)
        return np.tile(cell, (SHAPE[0] // 2, SHAPE[1] // 2))

    def shading(self, depth: float = 0.4) -> np.ndarray:
        y, x = self.y / SHAPE[0] - 0.5, self.x / SHAPE[1] - 0.5
        return 1 - depth * 2 * (y * y + x * x)

    def sky(self, electrons: float) -> Camera:
        self.electrons += electrons * self.colour() * self.shading()
        return self

    def dust(self, count: int) -> Camera:
        for _ in range(count):
            y, x = self.rng.uniform(0, SHAPE[0]), self.rng.uniform(0, SHAPE[1])
            radius = np.hypot(self.y - y, self.x - x)
            self.electrons *= np.where((radius < 25) & (radius > 8), 0.93, 1.0)
        return self

    def stars(self, count: int, electrons: float = 4000.0, fwhm: float = 2.6) -> Camera:
        colour, sigma = self.colour(), fwhm / 2.3548
        for _ in range(count):
            y, x = self.rng.uniform(20, SHAPE[0] - 20), self.rng.uniform(20, SHAPE[1] - 20)
            profile = np.exp(-((self.y - y) ** 2 + (self.x - x) ** 2) / (2 * sigma**2))
            flux = electrons * self.rng.uniform(0.7, 3)
            self.electrons += flux / (2 * np.pi * sigma**2) * profile * colour
        return self

    def warmth(self, electrons: float, hot: float = 0.003) -> Camera:
        self.electrons += electrons
        where = self.rng.random(SHAPE) < hot
        self.electrons += where * electrons * self.rng.pareto(1.2, SHAPE) * 8
        return self

    def glow(self, electrons: float) -> Camera:
        self.electrons += electrons * np.exp(-(self.y + self.x) / 25)
        return self

    def bad_columns(self) -> Camera:
        self.electrons[:, ::97] += 900
        return self

    def cosmic_rays(self, count: int) -> Camera:
        for _ in range(count):
            y, x = self.rng.integers(5, SHAPE[0] - 5), self.rng.integers(5, SHAPE[1] - 5)
            for step in range(self.rng.integers(1, 5)):
                self.electrons[y + step // 2, x + step] += 2000
        return self

    def shoot(self, **changes: object) -> tuple[FrameInfo, Look]:
        signal = self.rng.poisson(np.minimum(self.electrons, 1e6)) / GAIN
        top = self.info.white or 65535
        black = np.tile(
            np.reshape(self.info.black or (1000.0,) * 4, (2, 2)), (SHAPE[0] // 2, SHAPE[1] // 2)
        )
        values = signal + black + self.rng.normal(0, 6, SHAPE)
        data = np.clip(np.rint(values), 0, top).astype(np.uint16)
        flags = (data >= top).astype(np.uint8) * np.uint8(Flag.SATURATED)
        info = replace(self.info, **changes)
        return info, look(info, data, flags)


def kind(shot: tuple[FrameInfo, Look], peers: Peers | None = None) -> Kind | None:
    found, why = recognise(*shot, peers)
    assert why
    assert "\n" not in why
    return found


@pytest.mark.parametrize("info", [COLOUR, replace(COLOUR, cfa="BGGR"), MONO])
def test_a_frame_with_stars_is_a_light(info: FrameInfo) -> None:
    shot = Camera(info).sky(150).stars(80).warmth(3).shoot()
    assert kind(shot) is Kind.LIGHT
    assert 40 <= shot[1].stars <= 80
    assert "stars" in recognise(*shot)[1]


def test_a_sparse_field_is_a_light() -> None:
    assert kind(Camera(COLOUR).sky(60).stars(15, 9000).warmth(3).shoot()) is Kind.LIGHT
    assert kind(Camera(MONO).sky(60).stars(15, 9000).warmth(3).shoot()) is Kind.LIGHT


def test_stars_under_a_bright_sky_are_a_light() -> None:
    shot = Camera(COLOUR).sky(2200).stars(80, 20_000).shoot()
    assert shot[1].fraction is not None
    assert shot[1].fraction > 0.2
    assert kind(shot) is Kind.LIGHT


@pytest.mark.parametrize("info", [COLOUR, MONO])
def test_hot_pixels_cosmic_rays_glow_and_bad_columns_are_no_stars(info: FrameInfo) -> None:
    camera = Camera(info).warmth(20, hot=0.01).cosmic_rays(40).glow(3000).bad_columns()
    shot = camera.shoot()
    assert shot[1].stars < SOME_STARS
    assert kind(shot) is Kind.DARK
    assert kind(shot, LIGHTS) is Kind.DARK


@pytest.mark.parametrize("seed", range(5))
def test_a_hot_night_of_hot_pixels_is_still_a_dark(seed: int) -> None:
    shot = Camera(COLOUR, seed).warmth(60, hot=0.05).shoot()
    assert kind(shot, LIGHTS) is Kind.DARK


@pytest.mark.parametrize("info", [COLOUR, MONO])
def test_a_vignetted_dusty_flat_is_a_flat(info: FrameInfo) -> None:
    full = (info.white or 65535.0) * GAIN
    shot = Camera(info).sky(0.45 * full).dust(12).shoot(exposure=0.5)
    assert kind(shot) is Kind.FLAT
    assert kind(shot, LIGHTS) is Kind.FLAT


def test_a_dawn_flat_with_a_few_stars_is_a_flat_when_lights_are_exposed_longer() -> None:
    full = 16383 * GAIN
    camera = Camera(COLOUR).sky(0.4 * full).dust(5).stars(10, 60_000)
    shot = camera.shoot(exposure=1.0)
    assert 5 <= shot[1].stars < 40
    assert kind(shot, LIGHTS) is Kind.FLAT
    assert kind(shot) is Kind.FLAT
    # With the exposure of the lights it is one of them; with one between, it could be either.
    assert kind((replace(shot[0], exposure=120.0), shot[1]), LIGHTS) is Kind.LIGHT
    assert kind((replace(shot[0], exposure=10.0), shot[1])) is None
    assert kind((replace(shot[0], exposure=90.0), shot[1]), LIGHTS) is None
    assert kind((replace(shot[0], exposure=60.0), shot[1])) is Kind.LIGHT


def test_a_clouded_frame_is_a_light_only_when_exposed_like_the_lights() -> None:
    shot = Camera(COLOUR).sky(300).warmth(5).shoot()
    assert shot[1].stars <= 2
    found, why = recognise(*shot, LIGHTS)
    assert (found, why.startswith("clouded")) == (Kind.LIGHT, True)
    assert kind((replace(shot[0], exposure=30.0), shot[1]), LIGHTS) is None
    assert kind(shot) is None
    bright = Camera(COLOUR).sky(4000).shoot()
    assert kind(bright, LIGHTS) is Kind.LIGHT


def test_dark_current_is_not_taken_for_light() -> None:
    # As bright as the clouded frame above, but the same in every colour.
    shot = Camera(COLOUR).warmth(300).shoot()
    assert kind(shot, LIGHTS) is Kind.DARK


def test_mono_without_a_black_level_goes_by_the_nights_lowest_frame() -> None:
    lit = Camera(MONO).sky(120).stars(60).shoot()
    dark = Camera(MONO).warmth(2).shoot()
    bias = Camera(MONO).shoot(exposure=0.001)
    clouded = Camera(MONO, 2).sky(260).shoot()
    warm = Camera(MONO, 3).warmth(200).shoot()
    peers = Peers(
        star_exposures=(60.0,),
        levels=tuple(
            (i.exposure, s.level, s is lit[1]) for i, s in (lit, dark, bias, clouded, warm)
        ),
        shortest=0.001,
    )
    assert kind(lit, peers) is Kind.LIGHT
    assert kind(dark, peers) is Kind.DARK
    assert kind(bias, peers) is Kind.BIAS
    assert kind(clouded, peers) is Kind.LIGHT
    found, why = recognise(*warm, peers)
    assert found is None
    assert "a clouded light or a warm dark" in why
    assert kind((replace(warm[0], exposure=300.0), warm[1]), peers) is Kind.DARK


@pytest.mark.parametrize(
    ("exposure", "shortest", "expected"),
    [
        (1 / 4000, 1 / 4000, Kind.BIAS),
        (1 / 1000, 1 / 4000, Kind.BIAS),
        (1 / 60, 1 / 60, Kind.BIAS),
        (1 / 60, 1 / 4000, Kind.DARK),
        (1.0, 1.0, Kind.DARK),
        (120.0, 1 / 4000, Kind.DARK),
        (None, 1 / 4000, None),
    ],
)
def test_bias_or_dark_by_exposure(
    exposure: float | None, shortest: float, expected: Kind | None
) -> None:
    shot = Camera(COLOUR).shoot(exposure=exposure)
    assert kind(shot, Peers(shortest=shortest)) is expected


def test_what_is_neither_is_left_open_with_the_reason() -> None:
    full = 16383 * GAIN
    over = Camera(COLOUR).sky(4 * full).shoot(exposure=0.5)
    assert recognise(*over)[0] is None
    assert "100% of its pixels are saturated" in recognise(*over)[1]
    scene = Camera(COLOUR).sky(0.2 * full)
    scene.electrons[: SHAPE[0] // 2, 100:500] *= 3
    landscape = scene.shoot(exposure=0.01)
    assert recognise(*landscape)[0] is None
    assert "too uneven for a flat" in recognise(*landscape)[1]
    unknown = Camera(MONO).sky(0.11 * 65535 * GAIN).shoot()
    assert recognise(*unknown)[0] is None
    assert "black level is not known" in recognise(*unknown)[1]


def test_a_flat_from_a_12_bit_camera_in_a_16_bit_file_is_bright_by_its_noise() -> None:
    # 2000 of 4096 ADU at 5 e-/ADU: 3 % of the file's range, yet 100 times the pixel's noise.
    rng = np.random.default_rng(4)
    light = rng.poisson(10_000, SHAPE) / 5 + 100
    data = np.rint(light).astype(np.uint16)
    info = FrameInfo(exposure=0.2)
    seen = look(info, data, np.zeros(SHAPE, np.uint8))
    peers = Peers(star_exposures=(60.0,), levels=((0.2, seen.level, False), (60.0, 100.0, False)))
    assert recognise(info, seen, peers)[0] is Kind.FLAT


@pytest.mark.parametrize("shape", [(8, 8), (31, 40), (40, 64), (100, 130), (333, 517)])
@pytest.mark.parametrize("cfa", [None, "RGGB"])
def test_frames_of_any_size_can_be_looked_at(shape: tuple[int, int], cfa: str | None) -> None:
    rng = np.random.default_rng(6)
    data = rng.normal(600, 5, shape).astype(np.uint16)
    info = FrameInfo(cfa=cfa, black=(512.0,), white=4095.0)
    seen = look(info, data, np.zeros(shape, np.uint8))
    assert seen.stars == 0
    assert seen.level == pytest.approx(88, abs=3)
    assert seen.noise == pytest.approx(5, rel=0.5)


def test_float_and_colour_frames_can_be_looked_at() -> None:
    rng = np.random.default_rng(6)
    data = rng.normal(0.1, 0.002, (3, 200, 300)).astype(np.float32)
    seen = look(FrameInfo(), data, np.zeros((200, 300), np.uint8))
    assert seen.stars == 0
    assert seen.fraction is None
    assert seen.noise == pytest.approx(0.002, rel=0.1)


def test_same_exposure_allows_what_cameras_round() -> None:
    assert same_exposure(30.0, [30.4])
    assert not same_exposure(30.0, [32.0])
    assert not same_exposure(None, [30.0])
    assert not same_exposure(30.0, [])
