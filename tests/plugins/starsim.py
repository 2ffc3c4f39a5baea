"""Invented star fields seen with a known motion, and the register step run on them in memory."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coldframe.errors import SetAside
from coldframe.frame import Frame, FrameInfo
from coldframe.step import Context, Row
from coldframe_steps.register.register import Register

SHAPE = (400, 500)
CENTRE = np.array([(SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2])
RADIUS = float(np.hypot(*CENTRE))


@dataclass(frozen=True)
class Motion:
    """How a frame sees the sky: turned about its centre, shifted, and bent by a lens."""

    angle: float = 0.0
    scale: float = 1.0
    shift: tuple[float, float] = (0.0, 0.0)
    mirrored: bool = False
    bend: float = 0.0

    def lens(self, xy):
        q = (xy - CENTRE) / RADIUS
        return xy + self.bend * RADIUS * q * (q**2).sum(axis=1, keepdims=True)

    def __call__(self, sky):
        t = np.radians(self.angle)
        turn = self.scale * np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
        if self.mirrored:
            turn = turn @ np.diag([-1.0, 1.0])
        return self.lens((sky - CENTRE) @ turn.T + CENTRE + self.shift)

    def from_reference(self, xy):
        """Where a pixel of the frame with no motion is in this one."""
        sky = xy.copy()
        for _ in range(60):
            sky = sky - (self.lens(sky) - xy)
        return self(sky)


@dataclass(frozen=True)
class Sky:
    xy: np.ndarray
    flux: np.ndarray
    colour: np.ndarray

    @classmethod
    def random(cls, seed, count=400, faintest=3.2, brightest=5.0):
        rng = np.random.default_rng(seed)
        xy = CENTRE + rng.uniform(-1.4, 1.4, (count, 2)) * CENTRE
        colour = np.column_stack(
            [rng.uniform(0.4, 1.0, count), np.ones(count), rng.uniform(0.4, 1.0, count)]
        )
        return cls(xy, 10 ** rng.uniform(faintest, brightest, count), colour)

    def shoot(
        self,
        draw_stars,
        motion=Motion(),
        *,
        seed=0,
        kind="mono",
        fwhm=3.0,
        light=1.0,
        keep=1.0,
        hot=0,
        path="light.fits",
        background=500.0,
    ):
        rng = np.random.default_rng([seed, 77])
        kept = rng.random(len(self.xy)) < keep
        xy, flux = motion(self.xy[kept]), light * self.flux[kept]
        if kind == "mono":
            image = draw_stars(SHAPE, xy, flux, fwhm) + background
        else:
            image = np.stack(
                [draw_stars(SHAPE, xy, flux * self.colour[kept, c], fwhm) for c in range(3)]
            )
            image += background * np.array([0.6, 1.0, 0.5])[:, None, None]
        cfa = None
        if kind == "cfa":
            cfa, full = "RGGB", image
            image = full[1].copy()
            image[::2, ::2], image[1::2, 1::2] = full[0, ::2, ::2], full[2, 1::2, 1::2]
        image = rng.poisson(image) + rng.normal(0, 6.0, image.shape)
        spots = np.random.default_rng(5)
        y, x = spots.integers(0, SHAPE[0], hot), spots.integers(0, SHAPE[1], hot)
        image[..., y, x] += spots.uniform(500, 30000, hot)
        info = FrameInfo(path=f"/nights/one/{path}", gain=1.0, cfa=cfa, shape=SHAPE)
        return Frame(image.astype(np.float32), np.zeros(SHAPE, np.uint8), info)


def params(**given):
    assert set(given) <= set(Register.params)
    return {name: spec["default"] for name, spec in Register.params.items()} | given


def run(frames, **given):
    """All frames through the step; frames set aside come out as the reason."""
    step, chosen = Register(), params(**given)
    surveys = [step.survey(frame, Context(params=chosen)) for frame in frames]
    rows = [Row(f.info, f.measures, s) for f, s in zip(frames, surveys, strict=True)]
    decision = step.decide(rows, Context(params=chosen))
    out = []
    for index, (frame, survey) in enumerate(zip(frames, surveys, strict=True)):
        ctx = Context(params=chosen, survey=survey, decision=decision, index=index)
        try:
            out.append(step.apply(frame, ctx))
        except SetAside as reason:
            out.append(str(reason))
    return out
