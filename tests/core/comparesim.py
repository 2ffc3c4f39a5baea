"""A night of an invented mono camera, small enough to be stacked in several ways."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from astropy.io import fits

SHAPE = (200, 280)
FWHM = 2.5  # px
NOISE = 20.0  # ADU
TILT = 60.0  # ADU from edge to edge
LIGHTS = 12

RECIPE = """\
recipe: 1
name: plain
about: Register and stack
inputs: {lights: {kind: light}}
steps:
  aligned: {use: register, from: lights, per: [target], with: {model: similarity}}
  stack: {use: integrate, from: aligned, per: [target, filter]}
  final: {use: background-fit, from: stack}
outputs: {final: {fits: true}}
"""
NOT_FLAT = (
    RECIPE.replace("  final: {use: background-fit, from: stack}\n", "")
    .replace("name: plain", "name: not-flat")
    .replace("outputs: {final", "outputs: {stack")
)


def field(draw, rng, shape=SHAPE, stars=60, shift=(0.0, 0.0), flux=1.0, fwhm=FWHM):
    """Stars, a tilted sky and noise, float64 (y, x); always the same stars."""
    own = np.random.default_rng(5)
    xy = own.uniform(15, [shape[1] - 15, shape[0] - 15], (stars, 2)) + shift[::-1]
    light = own.permutation(np.geomspace(6e3, 1.2e5, stars)) * flux
    sky = 1000 + TILT * np.linspace(-0.5, 0.5, shape[1])[None, :]
    return draw(shape, xy, light, fwhm) + sky + rng.normal(0, NOISE, shape)


def write_lights(folder: Path, draw, target="Reed Bank", count=LIGHTS, seed=1) -> list[Path]:
    """`count` lights, each moved by some part of a pixel."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(seed)
    made = []
    for number in range(count):
        data = field(draw, rng, shift=rng.uniform(-3, 3, 2))
        header = fits.Header()
        header["IMAGETYP"], header["OBJECT"], header["FILTER"] = "Light", target, "L"
        header["INSTRUME"], header["EXPTIME"] = "Nachtauge M9", 60.0
        header["DATE-OBS"] = f"2025-03-01T20:{number:02}:00"
        path = folder / f"light-{seed}-{number:02}.fits"
        fits.writeto(path, np.clip(np.rint(data), 0, 65535).astype(np.uint16), header)
        made.append(path)
    return made
