"""An invented field in registered frames, whose truth is known, for the tests of stacking."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from coldframe.frame import Frame, FrameInfo, Kind

GAIN = 1.5  # e-/ADU


@dataclass(frozen=True)
class Scene:
    """An invented field: stars far enough apart to measure, on a sky that changes by frame."""

    n: int = 14
    shape: tuple[int, int] = (150, 190)
    seed: int = 1
    noise: Sequence[float] | float = 20.0  # ADU, of the sky
    transparency: Sequence[float] | float = 1.0
    fwhm: Sequence[float] | float = 4.0  # px
    jitter: float = 0.1  # px rms, what registration leaves
    trails: int = 0  # frames with a trail of `trail_peak` sigma
    trail_peak: float = 40.0
    stars: bool = True
    lift: float = 200.0  # ADU, how far the sky's level wanders
    tilt: float = 0.4  # ADU/px rms
    place: NDArray[np.float64] = field(init=False)
    flux: NDArray[np.float64] = field(init=False)

    def __post_init__(self) -> None:
        rng = np.random.default_rng(self.seed)
        h, w = self.shape
        y, x = np.meshgrid(np.arange(20, h - 16, 28), np.arange(20, w - 16, 28), indexing="ij")
        spot = np.stack([y.ravel(), x.ravel()], axis=1) + rng.uniform(-2, 2, (y.size, 2))
        object.__setattr__(self, "place", spot)
        object.__setattr__(self, "flux", 10 ** rng.uniform(4.0, 6.0, len(spot)))

    def starlight(self, fwhm: float, dy: float, dx: float) -> NDArray[np.float64]:
        y, x = np.mgrid[: self.shape[0], : self.shape[1]].astype(float)
        sigma = fwhm / 2.3548
        image = np.zeros(self.shape)
        for (a, b), flux in zip(self.place, self.flux, strict=True):
            part = np.s_[max(int(a) - 15, 0) : int(a) + 17, max(int(b) - 15, 0) : int(b) + 17]
            r2 = (y[part] - a - dy) ** 2 + (x[part] - b - dx) ** 2
            image[part] += flux / (2 * np.pi * sigma**2) * np.exp(-r2 / 2 / sigma**2)
        return image

    def frames(self) -> list[Frame]:
        h, w = self.shape
        y, x = np.mgrid[:h, :w].astype(float)
        noise, clear, fwhm = (
            np.broadcast_to(v, (self.n,)) for v in (self.noise, self.transparency, self.fwhm)
        )
        out = []
        for i in range(self.n):
            rng = np.random.default_rng([self.seed, i])
            light = self.starlight(fwhm[i], *rng.normal(0, self.jitter, 2)) if self.stars else 0.0
            light = np.broadcast_to(light * clear[i], self.shape)
            lift, ty, tx = rng.normal(0, 1, 3) * (self.lift, self.tilt, self.tilt)
            data = 1000 + lift + ty * (y - h / 2) + tx * (x - w / 2) + light
            data = data + rng.normal(0, 1, self.shape) * np.sqrt(noise[i] ** 2 + light / GAIN)
            angle, cy, cx = rng.uniform(0, np.pi), *rng.uniform(0.3, 0.7, 2)
            if i < self.trails:
                off = (y - cy * h) * np.cos(angle) - (x - cx * w) * np.sin(angle)
                data += self.trail_peak * noise[i] * np.exp(-(off**2) / 2 / 1.5**2)
            info = FrameInfo(kind=Kind.LIGHT, path=f"night/light-{i:02d}.fits", exposure=60.0)
            measures = {"flux_ratio": float(clear[i]), "fwhm": float(fwhm[i]), "roundness": 0.9}
            flags = np.zeros(self.shape, np.uint8)
            out.append(Frame(data.astype(np.float32), flags, info, measures=measures))
        return out

    def photometry(self, image: NDArray[np.float32]) -> NDArray[np.float64]:
        """Aperture sums of 9 px radius about each star, less the local sky, over true fluxes."""
        y, x = np.mgrid[: self.shape[0], : self.shape[1]]
        out = []
        for (a, b), flux in zip(self.place, self.flux, strict=True):
            r = np.hypot(y - a, x - b)
            sky = np.median(image[(r > 11) & (r < 14)])
            out.append((image[r < 9].astype(float) - sky).sum() / flux)
        return np.array(out)

    def best(self) -> float:
        """The lowest noise any weighted mean can have, at the flux of a clear frame."""
        noise = np.broadcast_to(self.noise, (self.n,)) / np.broadcast_to(
            self.transparency, (self.n,)
        )
        return float(1 / np.sqrt(np.sum(noise**-2.0)))


def sky_scatter(stack: Frame) -> float:
    """Standard deviation of a starless stack about its best plane: no robust estimate."""
    y, x = np.indices(stack.data.shape)
    design = np.stack([np.ones(y.size), y.ravel(), x.ravel()], axis=1)
    values = stack.data.ravel().astype(float)
    rest = values - design @ np.linalg.lstsq(design, values, rcond=None)[0]
    return float(rest.std(ddof=3))
