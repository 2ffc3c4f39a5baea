"""Simulated frames for the tests of vetting: clean nights, and one fault at a stated strength.

Everything stays in memory: a frame is exposed by the demo's sensor model, measured, and judged.
The strengths that `FAULTS` states are those of docs/inspecting.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from coldframe.demo.geometry import Projection
from coldframe.demo.night import Outfit, invent
from coldframe.demo.render import add_smooth, add_stars
from coldframe.demo.scenario import scenario
from coldframe.demo.sensor import expose
from coldframe.demo.sky import Glow, Psf, make_stars
from coldframe.digests import DigestCache
from coldframe.frame import Flag, Frame, FrameInfo, Kind
from coldframe.plugins import find_plugins
from coldframe.vetting.compare import Subject
from coldframe.vetting.gather import Fields
from coldframe.vetting.measures import sight
from coldframe.vetting.thresholds import vet_limits
from coldframe.vetting.vet import judge

GAUGE = find_plugins().star_gauge()
LIMITS = vet_limits()
FIELDS = Fields(GAUGE, DigestCache())
START = datetime(2025, 3, 20, 21, 0, tzinfo=UTC)
TINT = {"colour": (0.62, 1.0, 0.78), "mono": (1.0, 1.0, 1.0, 1.0)}


@dataclass
class Night:
    """A clean night: 10 darks at two temperatures, 8 biases, 8 flats, 12 lights."""

    kind: str
    seed: int

    def __post_init__(self):
        self.rng = np.random.default_rng([self.seed, 77])
        self.outfit: Outfit = invent(self.kind, "tiny", self.seed)
        self.plan = scenario(self.kind, "tiny")
        self.cool = self.plan.dark_sets[0][1]
        self.count = 0
        self.subjects = [
            *(self.dark(temperature=t) for t in [self.cool] * 7 + [self.cool + 7.0] * 3),
            *(self.bias() for _ in range(8)),
            *(self.flat(level=0.45 + 0.012 * i) for i in range(8)),
            *(self.light(progress=i / 12) for i in range(12)),
        ]

    # -- frames ------------------------------------------------------------------------------

    def subject(self, kind, pixels, told=None, **facts):
        """A frame as vetting sees it. told : what its label says when that is not so."""
        camera = self.outfit.truth.camera
        self.count += 1
        info = FrameInfo(
            kind=told or kind,
            kind_reason="header",
            path=f"/night/{facts.pop('folder', kind.value)}/{self.count:04}.fits",
            digest=f"{self.count}",
            camera=camera.name,
            cfa=camera.cfa,
            black=camera.black if camera.cfa else None,
            white=float(camera.white),
            shape=pixels.shape,
            night="night",
            **facts,
        )
        flags = np.where(pixels >= camera.white, np.uint8(Flag.SATURATED), np.uint8(0))
        frame = Frame(pixels, flags, info)
        seen, field = GAUGE.measure(frame) if info.kind is Kind.LIGHT else ({}, None)
        return Subject(info, sight(frame, seen, field), f"{info.kind}/{self.count:04}.fits")

    def shoot(self, light, exposure, temperature, setting):
        warmth = temperature + self.rng.normal(0, 0.2)
        return expose(self.outfit.sensor, light, exposure, warmth, setting, self.rng)

    def dark(self, light=None, exposure=None, setting=None, temperature=None, **more):
        exposure = exposure or self.plan.exposure
        setting = setting or self.plan.setting
        temperature = self.cool if temperature is None else temperature
        pixels = self.shoot(light, exposure, temperature, setting)
        return self.subject(
            Kind.DARK, pixels, iso=setting, exposure=exposure, temperature=temperature, **more
        )

    def bias(self, light=None, exposure=1 / 4000, **more):
        pixels = self.shoot(light, exposure, self.cool, self.plan.setting)
        return self.subject(
            Kind.BIAS, pixels, iso=self.plan.setting, exposure=exposure, temperature=self.cool,
            **more,
        )  # fmt: skip

    def flat(self, level=0.5, shape=1.0, stars=0, **more):
        """level : of the full range. shape : factor, (y, x). stars : number of them."""
        camera = self.outfit.truth.camera
        setting = self.plan.flat_setting
        full = (camera.white - camera.black[0]) * camera.gain(setting) * level
        lamp = np.array(TINT[self.kind], np.float32)[
            self.outfit.truth.cell(None if camera.cfa else 0)
        ]
        height, width = self.outfit.truth.shape
        light = np.tile(lamp, (height // 2, width // 2)) * np.float32(full)
        light = light * self.outfit.response * np.asarray(shape, np.float32)
        y, x = np.mgrid[:height, :width]
        for _ in range(stars):
            sy, sx = self.rng.uniform(20, height - 20), self.rng.uniform(20, width - 20)
            spot = np.exp(-((y - sy) ** 2 + (x - sx) ** 2) / (2 * 1.3**2))
            # 20 times the noise of a pixel of the flat
            light += (20 * math.sqrt(full) * spot).astype(np.float32)
        pixels = self.shoot(light.astype(np.float32), 0.5, self.cool, setting)
        return self.subject(
            Kind.FLAT, pixels, iso=setting, exposure=0.5, filter="L", optics="lens", **more
        )

    def light(
        self, progress=0.5, *, transparency=1.0, brightness=1.0, blur=1.0, roundness=None,
        stars=None, band=0, colour=(1.0, 1.0, 1.0), **more,
    ):  # fmt: skip
        """A light at some place of the night: pointing, seeing and sky wander as in the demo."""
        truth, plan, rng = self.outfit.truth, self.plan, self.rng
        height, width = truth.shape
        diagonal = math.hypot(height, width)
        band = None if truth.camera.cfa else band
        flipped = progress > 0.6
        dy, dx = rng.normal(0, 0.006 * diagonal, 2)
        projection = Projection(
            (height - 1) / 2, (width - 1) / 2, diagonal / 2, truth.optics.distortion,
            0.5 * progress + (180.3 if flipped else 0.0), float(dy), float(dx),
        )  # fmt: skip
        level = np.array(plan.sky) * (1 + 0.15 * progress) * brightness
        level = level * colour if self.kind == "colour" else level
        glow = Glow(
            tuple(float(b) for b in level), 0.05 + 0.03 * progress, 0.07 * progress - 0.04, 0.01,
            diagonal / 2,
        )  # fmt: skip
        fwhm = plan.fwhm * (1 + 0.18 * progress) * blur * float(rng.normal(1, 0.02))
        psf = Psf(fwhm, roundness or float(rng.uniform(0.88, 0.97)), float(rng.uniform(0, 180)))
        image = np.zeros(truth.shape, np.float32)
        clear = transparency * (1 - 0.07 * progress) * float(rng.normal(1, 0.006))
        cell = truth.cell(band)
        add_smooth(image, cell, projection, truth.nebula, glow, clear, plan.exposure)
        add_stars(image, cell, projection, stars or truth.stars, psf, clear * plan.exposure)
        image *= self.outfit.response
        temperature = self.cool - 2 * progress if self.kind == "colour" else self.cool
        pixels = self.shoot(image, plan.exposure, temperature, plan.setting)
        return self.subject(
            Kind.LIGHT, pixels, iso=plan.setting, exposure=plan.exposure, temperature=temperature,
            filter="L", target="T", start=START + timedelta(hours=6 * progress), **more,
        )  # fmt: skip

    def other_stars(self):
        plan = self.plan
        radius = 1.08 * math.hypot(*self.outfit.truth.shape) / 2
        return make_stars(radius, plan.stars_per_megapixel, 1.0, 3e4, plan.star_bands, self.rng)

    def sigma(self, electrons):
        """Photo-electrons of so many sigma of a dark's pixel noise."""
        camera = self.outfit.truth.camera
        read = camera.read_noise(self.plan.setting)
        dark = camera.mean_dark(self.cool) * self.plan.exposure
        return electrons * math.sqrt(read**2 + dark)

    def leak(self, sigma, kind):
        """Light in a dark: as much as its dark current and `sigma` of its noise, coloured or not."""
        camera = self.outfit.truth.camera
        electrons = camera.mean_dark(self.cool) * self.plan.exposure + self.sigma(sigma)
        height, width = self.outfit.truth.shape
        even = np.full((height, width), electrons, np.float32)
        if kind == "even":
            return even
        fall = np.exp(-np.arange(width) / (0.25 * width))[:: self.rng.choice((-1, 1))]
        return (even * fall).astype(np.float32)


def crease(night, depth=0.03):
    """A straight fold, 5% of the shorter side wide, somewhere across the flat."""
    height, width = night.outfit.truth.shape
    y, x = np.mgrid[:height, :width]
    angle = night.rng.uniform(0, math.pi)
    cy, cx = night.rng.uniform(0.3, 0.7, 2) * (height, width)
    distance = (y - cy) * math.cos(angle) + (x - cx) * math.sin(angle)
    return 1 - depth * np.exp(-0.5 * (distance / (0.025 * height)) ** 2)


def slope(night, strength=0.06):
    """A straight slope over the whole flat, at any angle, `strength` from side to side."""
    height, width = night.outfit.truth.shape
    y, x = np.mgrid[:height, :width]
    angle = night.rng.uniform(0, 2 * math.pi)
    return 1 + strength * (
        (y / height - 0.5) * math.sin(angle) + (x / width - 0.5) * math.cos(angle)
    )


FAULTS = {
    # what is wrong, and how much: (the rule that must find it, how one such frame is made)
    "leak, even": ("leak", lambda n: n.dark(light=n.leak(1.0, "even"))),
    "leak, from one side": ("leak", lambda n: n.dark(light=n.leak(2.0, "side"))),
    "leak in a bias": ("leak", lambda n: n.bias(light=n.leak(1.0, "even"))),
    "dark of another exposure": ("settings", lambda n: n.dark(exposure=n.plan.exposure / 4)),
    "dark of another gain": ("settings", lambda n: with_facts(n.dark(), iso=n.plan.setting * 2)),
    "dark 5 °C off": ("settings", lambda n: n.dark(temperature=n.cool - 5.0)),
    "bias of 0.5 s": ("bias exposure", lambda n: n.bias(exposure=0.5)),
    "flat at 130% of the range": ("flat clipped", lambda n: n.flat(1.3)),
    "flat at 4% of the range": ("flat dark", lambda n: n.flat(0.04)),
    "flat with 40 stars": ("flat stars", lambda n: n.flat(stars=40)),
    "flat with a crease of 3%": ("flat crease", lambda n: n.flat(shape=crease(n))),
    "flat with a slope of 6%": ("flat gradient", lambda n: n.flat(shape=slope(n))),
    "flat 2.5 times dimmer": ("flat drift", lambda n: n.flat(0.2)),
    "cloud that leaves 15%": ("cloud", lambda n: n.light(transparency=0.15, brightness=1.4)),
    "cloud that leaves 35%": ("cloud", lambda n: n.light(transparency=0.35, brightness=1.2)),
    "trailed to an axis ratio of 0.45": ("trailing", lambda n: n.light(roundness=0.45, blur=1.4)),
    "stars twice as wide": ("focus", lambda n: n.light(blur=2.0)),
    "another target": ("target", lambda n: n.light(stars=n.other_stars())),
    "another filter": (
        "filter",
        lambda n: n.light(colour=(0.5, 1.0, 1.0)) if n.kind == "colour" else n.light(band=1),
    ),
    "twilight, twice the sky": ("twilight", lambda n: n.light(0.999, brightness=2.0)),
    "dark called a light": (
        "kind",
        lambda n: n.dark(told=Kind.LIGHT),
    ),
    "light called a dark": ("kind", lambda n: n.light(told=Kind.DARK)),
    "flat called a bias": ("kind", lambda n: n.flat(told=Kind.BIAS)),
    "light called a flat": ("kind", lambda n: n.light(told=Kind.FLAT)),
    "the same pixels twice": ("copy", lambda n: replace(n.subjects[0], label="z/again.fits")),
}


def with_facts(subject, **facts):
    return replace(subject, info=replace(subject.info, **facts))


def verdicts(subjects):
    """Findings of each frame."""
    order = sorted(subjects, key=lambda s: (s.info.start or START, s.label))
    found = judge(order, LIMITS, FIELDS)
    by = {id(s): f for s, f in zip(order, found, strict=True)}
    return [by[id(s)] for s in subjects]
