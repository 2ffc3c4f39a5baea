"""Small simulated frames of an invented cooled mono camera, whose truth is known.

Sensor model: EMVA Standard 1288, release 4.0, sections 2.1 to 2.5: Poisson dark electrons and
light, Gaussian read noise, gain, whole numbers.
"""

from datetime import UTC, datetime, timedelta

import numpy as np
from astropy.io import fits

SHAPE = (64, 96)
DOUBLING = 6.0  # °C
DARK_AT_0 = 2.0  # e-/s, the median pixel at 0 °C
GAIN = 2.0  # e-/ADU
READ_NOISE = 3.0  # e-
BLACK = 800.0  # ADU
HOT = 40  # pixels

_rng = np.random.default_rng(20)
SENSITIVITY = 1 + 0.05 * np.linspace(-1, 1, SHAPE[1])[None, :] * np.ones(SHAPE)
DARK = np.full(SHAPE, DARK_AT_0)
DARK.ravel()[_rng.choice(DARK.size, HOT, replace=False)] = 60.0
PATTERN = _rng.normal(0, 1.5, SHAPE)  # ADU


def dark_current(temperature):
    """e-/s of every pixel."""
    return DARK * 2 ** (temperature / DOUBLING)


def expose(rng, exposure=0.0, temperature=-10.0, light=0.0, shape_of=SENSITIVITY):
    """ADU; light in e-/s."""
    electrons = rng.poisson(exposure * (dark_current(temperature) + light * shape_of))
    values = BLACK + PATTERN + (electrons + rng.normal(0, READ_NOISE, SHAPE)) / GAIN
    return np.clip(np.rint(values), 0, 65535).astype(np.uint16)


def write(
    folder, kind, count, *, exposure=0.0, temperature=-10.0, light=0.0, day=0, seed=0, **more
):
    """`count` FITS files; `day` counts from 1 March of an invented year. Gives the paths."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([seed, day, int(1000 + temperature * 10), int(exposure * 1000)])
    names = {"dark": "Dark Frame", "bias": "Bias Frame", "flat": "Flat Field", "light": "Light"}
    out = []
    for number in range(count):
        data = expose(rng, exposure, temperature, light, more.get("shape_of", SENSITIVITY))
        if kind == "light":
            data = stars(rng, data)
        header = fits.Header()
        start = datetime(2025, 3, 1, 20, tzinfo=UTC) + timedelta(days=day, minutes=3 * number)
        header["DATE-OBS"] = start.strftime("%Y-%m-%dT%H:%M:%S")
        header["INSTRUME"] = more.get("camera", "Nachtauge M9")
        header["EXPTIME"] = exposure
        header["CCD-TEMP"] = temperature
        header["GAIN"], header["OFFSET"], header["EGAIN"] = 100, 30, GAIN
        header["IMAGETYP"] = names[kind]
        if kind in ("flat", "light"):
            header["FILTER"], header["TELESCOP"] = "L", "200 mm f/4"
        if kind == "light":
            header["OBJECT"] = "Lantern"
        name = f"{kind}-{day}-{temperature:g}-{exposure:g}-{number}.fits"
        path = folder / name
        fits.PrimaryHDU(data, header).writeto(path)
        out.append(path)
    return out


def stars(rng, data):
    """The same field in every light."""
    field = np.random.default_rng(5)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    image = data.astype(float)
    for _ in range(30):
        cy, cx = field.uniform(6, SHAPE[0] - 6), field.uniform(6, SHAPE[1] - 6)
        peak = field.uniform(1500, 6000)
        image += peak * np.exp(-((y - cy) ** 2 + (x - cx) ** 2) / (2 * 1.4**2))
    return np.clip(np.rint(image), 0, 65535).astype(np.uint16)


def calibration(folder, temperatures=(-10.0, 0.0), darks=6, day=0):
    """Bias, darks of 60 s at each temperature, and flats."""
    write(folder / "bias", "bias", 8, day=day)
    for temperature in temperatures:
        write(folder / "dark", "dark", darks, exposure=60.0, temperature=temperature, day=day)
    write(folder / "flat", "flat", 6, exposure=2.0, light=8000.0, day=day)
