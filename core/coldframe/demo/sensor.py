"""A physical model of an image sensor: from photons to numbers in a file.

photons -> photo-electrons (Poisson) + dark electrons (Poisson) -> full well -> read noise ->
fixed pattern -> gain -> black level -> converter (whole numbers, clipped at 0 and at white).

Sources: J. R. Janesick, Photon Transfer (SPIE Press, 2007), chapters 3 to 7 and 11; EMVA Standard
1288, release 4.0, sections 2.1 to 2.5 and 4; R. Widenhorn et al., "Temperature dependence of dark
current in a CCD", Proc. SPIE 4669, 193 (2002), for dark current that grows exponentially.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from coldframe.frame import Array

_ROWS = 128  # rows worked on at once: keeps the temporary arrays small


@dataclass(frozen=True, slots=True)
class Camera:
    """An invented camera. Nothing here describes a real product.

    cfa : colours of the top left 2 x 2, or None. black : ADU, one for each of the four CFA
    positions. white : ADU where the converter stops. settings : by ISO or gain setting, (gain in
    e-/ADU, read noise in e-). full_well : e-.
    dark : median dark current, e-/s/px at `dark_at` °C; it doubles every `doubling` °C and
    differs between pixels with a log-normal spread of `dark_spread` (sigma of ln).
    hot : share of hot pixels, whose dark current lies evenly in ln between the two hot_rate
    (e-/s/px). glow : e-/s/px in the lower right corner at `dark_at`.
    pattern : e- rms of the fixed pattern by (pixel, column, row); slope : e- from top to bottom.
    prnu : rms of the pixels' relative response. pitch : um.
    """

    make: str
    model: str
    cfa: str | None
    black: tuple[float, float, float, float]
    white: int
    settings: Mapping[int, tuple[float, float]]
    full_well: float
    dark: float
    dark_at: float
    doubling: float
    dark_spread: float
    hot: float
    hot_rate: tuple[float, float]
    glow: float
    pattern: tuple[float, float, float]
    slope: float
    prnu: float
    pitch: float

    @property
    def name(self) -> str:
        """Make and model."""
        return f"{self.make} {self.model}"

    def gain(self, setting: int) -> float:
        """e-/ADU at this ISO or gain setting."""
        return self.settings[setting][0]

    def read_noise(self, setting: int) -> float:
        """e- rms at this ISO or gain setting."""
        return self.settings[setting][1]

    def warmth(self, temperature: float) -> float:
        """Dark current at this temperature (°C) relative to the one at `dark_at`."""
        return float(2 ** ((temperature - self.dark_at) / self.doubling))

    def mean_dark(self, temperature: float) -> float:
        """Mean dark current of pixels that are not hot, e-/s/px, without the corner glow."""
        # The mean of a log-normal distribution is its median times exp(sigma^2 / 2).
        return self.dark * self.warmth(temperature) * float(np.exp(self.dark_spread**2 / 2))

    def corner_glow(self, shape: tuple[int, int], y: Array, x: Array) -> Array:
        """Dark current that the output amplifier adds at `dark_at`, e-/s/px; y and x broadcast."""
        down, across = y / (shape[0] - 1), x / (shape[1] - 1)
        return self.glow * np.exp((down - 1) / 0.08) * np.exp((across - 1) / 0.08)


@dataclass(frozen=True, slots=True)
class Sensor:
    """One specimen of a camera: its pixels' own maps, float32 (y, x).

    dark : e-/s at the camera's reference temperature. offset : fixed pattern, e-.
    sensitivity : relative, 1 on average.
    """

    camera: Camera
    dark: Array
    offset: Array
    sensitivity: Array

    @property
    def shape(self) -> tuple[int, int]:
        """(y, x)."""
        y, x = self.dark.shape
        return y, x


def make_sensor(camera: Camera, shape: tuple[int, int], rng: np.random.Generator) -> Sensor:
    """Draw the pixel maps of one specimen of `camera`, `shape` (y, x) pixels large."""
    height, width = shape

    def normal(*size: int) -> Array:
        return rng.standard_normal(size, dtype=np.float32)

    dark = np.float32(camera.dark) * np.exp(np.float32(camera.dark_spread) * normal(height, width))
    hot = rng.choice(height * width, size=round(camera.hot * height * width), replace=False)
    low, high = np.log(camera.hot_rate)
    dark.ravel()[hot] += np.exp(rng.uniform(low, high, len(hot)))
    down = np.arange(height, dtype=np.float32)[:, np.newaxis]
    across = np.arange(width, dtype=np.float32)[np.newaxis, :]
    dark += camera.corner_glow(shape, down, across)
    pixel, column, row = camera.pattern
    offset = pixel * normal(height, width) + column * normal(1, width) + row * normal(height, 1)
    offset += camera.slope * (down / (height - 1) - 0.5)
    sensitivity = 1 + camera.prnu * normal(height, width)
    return Sensor(
        camera,
        dark.astype(np.float32),
        offset.astype(np.float32),
        sensitivity.astype(np.float32),
    )


def expose(
    sensor: Sensor,
    light: Array | None,
    exposure: float,
    temperature: float,
    setting: int,
    rng: np.random.Generator,
    scale: float = 1.0,
) -> Array:
    """One frame as the camera would store it, uint16 (y, x).

    Parameters
    ----------
    light : photo-electrons per pixel that an even sensor would collect on average, float32
        (y, x); None with the shutter or the cap closed.
    exposure : s. temperature : °C. setting : ISO or gain setting.
    scale : factor on `light`, for lamps whose brightness changes from frame to frame.
    """
    camera = sensor.camera
    gain, read_noise = camera.settings[setting]
    dark_time = np.float32(exposure * camera.warmth(temperature))
    height, width = sensor.shape
    black = np.tile(np.reshape(camera.black, (2, 2)), (_ROWS // 2, -(-width // 2)))[:, :width]
    black = (black + 0.5).astype(np.float32)  # half a step: conversion to whole numbers rounds down
    out = np.empty((height, width), dtype=np.uint16)
    for top in range(0, height, _ROWS):
        rows = slice(top, min(top + _ROWS, height))
        mean = dark_time * sensor.dark[rows]
        if light is not None:
            mean += np.float32(scale) * light[rows] * sensor.sensitivity[rows]
        electrons = rng.poisson(mean).astype(np.float32)
        np.minimum(electrons, np.float32(camera.full_well), out=electrons)
        noise = rng.standard_normal(electrons.shape, dtype=np.float32)
        electrons += np.float32(read_noise) * noise
        electrons += sensor.offset[rows]
        electrons *= np.float32(1 / gain)
        electrons += black[: electrons.shape[0]]
        np.clip(electrons, 0, camera.white, out=electrons)
        out[rows] = electrons  # a 16-bit file holds any number of bits up to 16
    return out
