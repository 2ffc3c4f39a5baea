"""Plans an invented night: what is shot when, how warm the sensor is and how the sky looks."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone

import numpy as np

from coldframe.demo.events import Trail, make_trail
from coldframe.demo.geometry import Projection
from coldframe.demo.optics import Dust
from coldframe.demo.scenario import Scenario
from coldframe.demo.sky import Glow, Psf
from coldframe.demo.truth import Shot, View
from coldframe.frame import Kind

ZONE = timezone(timedelta(hours=1))  # what the invented camera's clock is set to
_FLAT_LEVEL = 0.5  # of the converter's range
_CARD = 500  # frames that the camera's counter moves on from night to night


@dataclass(frozen=True, slots=True)
class Conditions:
    """How a later night differs from the first, number 0.

    dy, dx : pointing, px. rotation : of the camera, deg. sky, fwhm : factors.
    """

    night: int = 0
    dy: float = 0.0
    dx: float = 0.0
    rotation: float = 0.0
    sky: float = 1.0
    fwhm: float = 1.0


def later_night(scenario: Scenario, night: int, rng: np.random.Generator) -> Conditions:
    """Another night on the same target: the camera was put on anew under another sky."""
    if night == 0:
        return Conditions()
    diagonal = math.hypot(*scenario.shape)
    dy, dx = rng.uniform(-0.015, 0.015, 2) * diagonal
    turn, sky, fwhm = rng.uniform(-2, 2), rng.uniform(0.7, 1.6), rng.uniform(0.85, 1.35)
    return Conditions(night, float(dy), float(dx), float(turn), float(sky), float(fwhm))


def make_dust(scenario: Scenario, rng: np.random.Generator) -> tuple[Dust, ...]:
    """Six to nine specks on the filter before the sensor."""
    height, width = scenario.shape
    specks = []
    for _ in range(int(rng.integers(6, 10))):
        outer = rng.uniform(9, 26)
        y, x = rng.uniform(0.05, 0.95, 2) * (height, width)
        inner, depth = outer * rng.uniform(0.2, 0.5), rng.uniform(0.02, 0.07)
        specks.append(Dust(float(y), float(x), float(outer), float(inner), float(depth)))
    return tuple(specks)


def plan_night(
    scenario: Scenario, rng: np.random.Generator, under: Conditions | None = None
) -> tuple[Shot, ...]:
    """Every exposure, in the order of the file names.

    under : conditions of a later night, which has no darks of its own: the first night's serve.
    """
    under = under or Conditions()
    later = timedelta(days=under.night)
    shots = _Session(scenario, rng, first=_CARD * under.night)
    if scenario.kind == "colour":
        if not under.night:
            _calibration_evenings(shots, scenario)
        shots.card = "101NACHT"
        shots.begin(datetime(2025, 3, 20, 22, 2, tzinfo=ZONE) + later, 14.4, -2.6 / 3600)
        _lights(shots, scenario, rng, under)
        shots.begin(datetime(2025, 3, 21, 5, 41, tzinfo=ZONE) + later, 7.0, 1.0 / 3600)
        _flats(shots, scenario, rng)
        shots.add(scenario.biases, Kind.BIAS, 1 / 4000, scenario.flat_setting)
    else:
        shots.begin(datetime(2025, 4, 11, 21, 30, tzinfo=ZONE) + later, -10.0, 0.0)
        _lights(shots, scenario, rng, under)
        shots.begin(datetime(2025, 4, 12, 5, 20, tzinfo=ZONE) + later, -10.0, 0.0)
        _flats(shots, scenario, rng)
        for exposure in sorted(set(scenario.flat_exposure)):
            shots.add(scenario.flats, Kind.DARK_FLAT, exposure, scenario.flat_setting)
        shots.add(scenario.biases, Kind.BIAS, 0.001, scenario.setting)
        for day, (count, temperature) in enumerate(() if under.night else scenario.dark_sets):
            shots.begin(datetime(2025, 4, 13 + day, 20, 0, tzinfo=ZONE), temperature, 0.0)
            shots.add(count, Kind.DARK, scenario.exposure, scenario.setting)
    return tuple(shots.done)


@dataclass
class _Session:
    """The camera's clock, counter and temperature while it works through a list."""

    scenario: Scenario
    rng: np.random.Generator
    first: int = 0  # frames on the camera's counter before this night
    card: str = "100NACHT"
    done: list[Shot] = field(default_factory=list)
    start: datetime = datetime(2025, 1, 1, tzinfo=ZONE)
    now: datetime = datetime(2025, 1, 1, tzinfo=ZONE)
    temperature: float = 0.0
    per_second: float = 0.0

    def begin(self, when: datetime, temperature: float, per_second: float) -> None:
        """A new session: the sensor starts at `temperature` and warms by °C per second."""
        self.start = self.now = when
        self.temperature, self.per_second = temperature, per_second

    def add(
        self,
        count: int,
        kind: Kind,
        exposure: float,
        setting: int,
        band: int | None = None,
        view: View | None = None,
        lamp: tuple[float, ...] = (),
        pause: float = 3.0,
    ) -> None:
        """Shoot `count` frames, `pause` seconds apart."""
        for _ in range(count):
            number = self.first + len(self.done) + 1
            colour = self.scenario.kind == "colour"
            name = f"{self.card}/NCHT{number:04}.DNG" if colour else f"m1_{number:06}.fits"
            middle = (self.now - self.start).total_seconds() + exposure / 2
            warmth = self.temperature + self.per_second * middle + self.rng.normal(0, 0.05)
            shot = Shot(
                name, kind, self.now, exposure, setting, round(float(warmth), 2), band, view, lamp
            )
            self.done.append(shot)
            whole_ms = round((exposure + pause) * 1000)
            self.now += timedelta(milliseconds=whole_ms)


def _calibration_evenings(shots: _Session, scenario: Scenario) -> None:
    """Cloudy evenings before the night: darks at several temperatures, and bias frames."""
    when = datetime(2025, 2, 26, 21, 5, tzinfo=ZONE)
    for i, (count, temperature) in enumerate(scenario.dark_sets):
        shots.begin(when + timedelta(days=5 * i), temperature + 0.3, -0.9 / 3600)
        shots.add(count, Kind.DARK, scenario.exposure, scenario.setting)
        if i == 0:
            shots.add(scenario.biases, Kind.BIAS, 1 / 4000, scenario.setting)


def _flats(shots: _Session, scenario: Scenario, rng: np.random.Generator) -> None:
    """Evenly lit flats; the dawn grows brighter from frame to frame."""
    camera = scenario.camera
    full = (camera.white - camera.black[0]) * camera.gain(scenario.flat_setting)
    tints = (0.62, 1.0, 0.78) if scenario.kind == "colour" else (1.0,) * len(scenario.bands)
    bands: list[int | None] = [None] if camera.cfa else list(range(len(scenario.bands)))
    for band, exposure in zip(bands, scenario.flat_exposure, strict=True):
        for i in range(scenario.flats):
            growth = 0.9 + 0.2 * i / scenario.flats + rng.normal(0, 0.01)
            lamp = tuple(float(_FLAT_LEVEL * full * growth * t) for t in tints)
            shots.add(1, Kind.FLAT, exposure, scenario.flat_setting, band, None, lamp)


def _lights(
    shots: _Session, scenario: Scenario, rng: np.random.Generator, under: Conditions
) -> None:
    total = sum(scenario.lights)
    bands = [band for band, count in enumerate(scenario.lights) for _ in range(count)]
    views = _views(scenario, total, rng, under)
    for i, (band, view) in enumerate(zip(bands, views, strict=True)):
        if i == _flip_at(total):
            shots.now += timedelta(minutes=5)
        chosen = None if scenario.camera.cfa else band
        pause = 17.0 + float(np.round(rng.uniform(0, 4), 2))  # time to dither and settle
        shots.add(1, Kind.LIGHT, scenario.exposure, scenario.setting, chosen, view, pause=pause)


def _flip_at(total: int) -> int:
    return round(0.6 * total)


def _views(
    scenario: Scenario, total: int, rng: np.random.Generator, under: Conditions
) -> Iterator[View]:
    """The sky frame by frame.

    The pointing drifts and is dithered, the field turns slowly, the mount swaps sides once; focus
    drifts; the moon rises. Two frames have thin cloud, one is lost behind thick cloud, one is
    soft from wind; four have a satellite's trail, one an aircraft's.
    """
    height, width = scenario.shape
    diagonal = math.hypot(height, width)
    optics = scenario.optics
    thin = {round(0.28 * total): 0.80, round(0.34 * total): 0.65}
    lost = round(0.47 * total)
    windy = round(0.85 * total)
    satellites = {round(share * total) for share in (0.1, 0.2, 0.66, 0.78)}
    aircraft = round(0.91 * total)
    heading = rng.uniform(0, 2 * math.pi)
    for i in range(total):
        progress = i / total
        flipped = i >= _flip_at(total)
        wander = (progress - 0.5) * scenario.drift * diagonal
        dither = rng.normal(0, 0.0035 * diagonal, 2)
        after_flip = (0.006 * diagonal, -0.004 * diagonal) if flipped else (0.0, 0.0)
        projection = Projection(
            axis_y=(height - 1) / 2 + optics.axis[0],
            axis_x=(width - 1) / 2 + optics.axis[1],
            radius=diagonal / 2,
            k=optics.distortion,
            rotation=0.5 * progress + (180.35 if flipped else 0.0) + under.rotation,
            dy=float(wander * math.sin(heading) + dither[0] + after_flip[0] + under.dy),
            dx=float(wander * math.cos(heading) + dither[1] + after_flip[1] + under.dx),
        )
        transparency = (1 - 0.07 * progress) * float(rng.normal(1, 0.006))
        level = (1 + 0.15 * progress) * under.sky * np.array(scenario.sky)
        slopes = np.array([0.05 + 0.03 * progress, -0.04 + 0.07 * progress])
        if i in thin:
            transparency *= thin[i]
            level = level * (1.5 - 0.5 * thin[i])  # a cloud scatters the town's light down
            slopes = slopes + rng.normal(0, 0.02, 2)
        if i == lost:
            transparency, level, slopes = 0.003, level * 2.4, slopes * 2
        fwhm = scenario.fwhm * under.fwhm * (1 + 0.18 * progress) * float(rng.normal(1, 0.02))
        roundness = float(rng.uniform(0.88, 0.97))
        if i == windy:
            fwhm, roundness = 1.6 * fwhm, 0.7
        psf = Psf(fwhm, roundness, float(rng.uniform(0, 180)))
        trails: tuple[Trail, ...] = ()
        if i in satellites or i == aircraft:
            bright = 150 if i == aircraft else rng.uniform(150, 600)
            peak = tuple(float(bright * s) for s, _ in scenario.star_bands)
            period = 0.045 * diagonal if i == aircraft else 0.0
            trails = (make_trail(scenario.shape, peak, fwhm / 2.2, rng, period),)
        glow = Glow(
            tuple(float(b) for b in level),
            float(slopes[0]),
            float(slopes[1]),
            0.01,
            diagonal / 2,
        )
        yield View(projection, psf, glow, transparency, trails, i == lost)
