"""Nights of an invented uncooled colour camera on a telescope, whose calibration frames do not fit.

Sensor model: EMVA Standard 1288, release 4.0, sections 2.1 to 2.5: Poisson light and dark
electrons, Gaussian read noise, gain, whole numbers. Dark current doubles every 6 °C (the same
standard, section 7.2), each pixel's own doubling differs with a sigma of 0.4 °C.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
from astropy.io import fits

SHAPE = (320, 480)
GAIN, READ_NOISE, BLACK = 2.0, 5.0, 500.0  # e-/ADU, e-, ADU
EXPOSURE = 120.0  # s
WARM = 22.0  # °C, of the lights
SKY, NEBULA = 2.0, 1.5  # e-/s in a pixel
STARS = 70
NAMES = {"dark": "Dark Frame", "bias": "Bias Frame", "flat": "Flat Field", "light": "Light",
         "dark-flat": "Dark Flat"}  # fmt: skip

_rng = np.random.default_rng(41)
_y, _x = np.mgrid[: SHAPE[0], : SHAPE[1]]
RESPONSE = 1 / (1 + 0.5 * (((_y - 159.5) / 288) ** 2 + ((_x - 239.5) / 288) ** 2)) ** 2
PATTERN = _rng.normal(0, 1.5, SHAPE)  # ADU
DARK = 0.2 * np.exp(_rng.normal(0, 0.35, SHAPE))  # e-/s at 15 °C
HOT = _rng.choice(DARK.size, 300, replace=False)
DARK.ravel()[HOT] = np.exp(_rng.uniform(np.log(2), np.log(40), HOT.size))
DOUBLING = _rng.normal(6.0, 0.4, SHAPE)  # °C
STAR_XY = _rng.uniform(12, (SHAPE[1] - 12, SHAPE[0] - 12), (STARS, 2))
STAR_LIGHT = _rng.permutation(np.geomspace(60, 600, STARS))  # e-/s


def nebula(dy=0.0, dx=0.0):
    """e-/s: a round nebula of 55 px sigma in the middle."""
    return NEBULA * np.exp(-((_y - 159.5 - dy) ** 2 + (_x - 239.5 - dx) ** 2) / (2 * 55.0**2))


def level():
    """What a calibrated light is scaled by: the flat's mean over its middle half."""
    return RESPONSE[80:240, 120:360].mean() * EXPOSURE / GAIN


class Writer:
    """Writes frames of one night into a folder; draw : the tests' star renderer."""

    def __init__(self, folder, draw, seed=1):
        self.folder, self.draw = folder, draw
        self.rng = np.random.default_rng(seed)
        self.count = 0
        folder.mkdir(parents=True, exist_ok=True)

    def write(self, kind, number, *, exposure, temperature=WARM, light=None, **more):
        """`number` frames. light : e-/s before optics."""
        warmth = 2 ** ((temperature - 15.0) / DOUBLING)
        for _ in range(number):
            seen = 0.0 if light is None else light * RESPONSE
            electrons = self.rng.poisson((DARK * warmth + seen) * exposure)
            electrons = electrons + self.rng.normal(0, READ_NOISE, SHAPE)
            data = np.clip(np.rint(BLACK + PATTERN + electrons / GAIN), 0, 65535)
            self._save(kind, data.astype(np.uint16), exposure, temperature, more)

    def _save(self, kind, data, exposure, temperature, more):
        header = fits.Header()
        start = datetime(2025, 3, 1, 20, tzinfo=UTC) + timedelta(
            days=more.get("day", 0), minutes=3 * self.count
        )
        self.count += 1
        header["IMAGETYP"], header["INSTRUME"] = NAMES[kind], "Aurel K7"
        header["TELESCOP"], header["BAYERPAT"] = "200 mm f/4", "RGGB"
        header["EXPTIME"], header["CCD-TEMP"] = exposure, round(temperature, 2)
        header["GAIN"], header["EGAIN"] = more.get("gain", 100), GAIN
        header["DATE-OBS"] = start.strftime("%Y-%m-%dT%H:%M:%S")
        if kind == "light":
            header["OBJECT"] = "Lantern"
        fits.PrimaryHDU(data, header).writeto(self.folder / f"{kind}-{self.count:03}.fits")

    def lights(self, number, temperature=WARM, **more):
        """Lights moved by some pixels each; the temperature drifts by 2 °C over them."""
        moves = self.rng.integers(-2, 3, (number, 2)).astype(float)
        for i, move in enumerate(moves):
            sky = self.draw(SHAPE, STAR_XY + move[::-1], STAR_LIGHT, 2.6) + SKY + nebula(*move)
            drift = temperature - 1.0 + 2.0 * i / max(1, number - 1)
            self.write("light", 1, exposure=EXPOSURE, temperature=drift, light=sky, **more)

    def darks(self, number=8, temperature=WARM, exposure=EXPOSURE, **more):
        self.write("dark", number, exposure=exposure, temperature=temperature, **more)

    def biases(self, number=8, **more):
        self.write("bias", number, exposure=0.001, **more)

    def flats(self, number=8, **more):
        self.write("flat", number, exposure=1.0, light=np.full(SHAPE, 30000.0), **more)

    def dark_flats(self, number=8, **more):
        self.write("dark-flat", number, exposure=1.0, **more)

    def note(self, text):
        (self.folder / "notes.yaml").write_text(text)


def nebula_ratio(stack):
    """Nebula of a stack over the truth, by medians in the middle and between it and the edges.

    stack : float (3, y, x); its place may be off by the reference light's few pixels.
    """
    truth = nebula() * level()

    def contrast(image):
        sides = [image[130:190, 50:90], image[130:190, 390:430]]
        return np.median(image[140:180, 220:260]) - np.mean([np.median(s) for s in sides])

    return contrast(np.mean(stack, axis=0)) / contrast(truth)


def corner_stars(stack):
    """Brightness of stars near the corners over those near the middle, over the truth's."""
    image = np.mean(stack, axis=0)
    near, far = [], []
    for (x, y), light in zip(STAR_XY, STAR_LIGHT, strict=True):
        cx, cy = round(x), round(y)
        box = image[cy - 8 : cy + 9, cx - 8 : cx + 9]
        if box.shape != (17, 17):
            continue
        edge = np.concatenate([box[:2].ravel(), box[-2:].ravel(), box[:, :2].ravel()])
        sum_ = (box[3:-3, 3:-3] - np.median(edge)).sum() / light
        r = np.hypot(y - 159.5, x - 239.5)
        (far if r > 200 else near if r < 130 else []).append(sum_)
    return np.median(far) / np.median(near)
