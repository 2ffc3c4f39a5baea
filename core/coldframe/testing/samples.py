"""Simulated frames for tests: a star field, its noise, and a patch of every flag."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from coldframe.frame import Array, Flag, Frame, FrameInfo, Kind

GAIN, READ_NOISE, BLACK, WHITE = 0.5, 4.0, 500.0, 16000.0
SKY = {Kind.LIGHT: 400.0, Kind.FLAT: 6000.0, Kind.DARK: 20.0}  # ADU above black
PIXELS: Mapping[str, Mapping[str, Any]] = {
    "mosaic": {"cfa": "RGGB"},
    "mono": {},
    "colour": {"colour": True},
}
"""What `sample_frames` is given for each kind of pixels."""

PATCH = 4  # px, side of each flagged patch


def sample_frames(
    count: int = 5,
    *,
    shape: tuple[int, int] = (96, 128),
    kind: Kind = Kind.LIGHT,
    cfa: str | None = None,
    colour: bool = False,
    seed: int = 1,
) -> tuple[Frame, ...]:
    """Frames of one camera and night, the same for the same arguments.

    Lights show the same stars, shifted by a few pixels from frame to frame. Each frame has a patch
    of 4 x 4 px of every flag, the same in all frames; TRANSIENT, somewhere else in each, as well.

    Parameters
    ----------
    shape : (y, x) px. cfa : such as "RGGB", for a mosaic. colour : (3, y, x) data.

    Notes
    -----
    float32 ADU: black 500, white 16000, gain 0.5 e-/ADU, read noise 4 e-; noise is normal, of
    variance read noise^2 / gain^2 + signal / gain.
    """
    rng = np.random.default_rng([seed, count, *shape])
    stars = _stars(shape, rng) if kind is Kind.LIGHT else np.empty((0, 3))
    shifts = np.vstack([[0.0, 0.0], rng.uniform(-3, 3, (max(count - 1, 0), 2))])
    return tuple(
        _frame(i, shift, stars, shape, kind, cfa, colour, rng)
        for i, shift in enumerate(shifts[:count])
    )


def sample_master(kind: str, frame: Frame) -> Frame:
    """A master of that kind (bias, dark, flat, dark-flat) that fits the frame, little noise.

    Bias and dark hold the black level; a flat has had its bias taken off, as in a recipe.
    """
    rng = np.random.default_rng(7)
    level = SKY[Kind.FLAT] if kind == "flat" else BLACK + (20.0 if kind == "dark" else 0.0)
    noise = 8.0 if kind == "flat" else 1.5
    data = rng.normal(level, noise, frame.shape)
    if kind == "flat":
        data *= _vignetting(frame.shape)
    if kind == "dark":
        data.ravel()[rng.choice(data.size, data.size // 2000)] += 900.0
    info = FrameInfo(
        kind=Kind(kind),
        camera=frame.info.camera,
        exposure=frame.info.exposure,
        temperature=frame.info.temperature,
        cfa=frame.info.cfa,
        gain=frame.info.gain,
        read_noise=frame.info.read_noise,
        black=(0.0,) if kind == "flat" else frame.info.black,
        white=frame.info.white,
        shape=frame.shape,
    )
    measures = {"frames": 20.0, "level": level, "noise": noise}
    flags = np.zeros(frame.shape, np.uint8)
    return Frame(data.astype(np.float32), flags, info, measures=measures)


def patches(shape: tuple[int, int]) -> Sequence[tuple[Flag, tuple[slice, slice]]]:
    """Where each flag is set in every sample frame."""
    columns = np.linspace(PATCH, shape[1] - 2 * PATCH, len(Flag)).astype(int)
    top = shape[0] // 3
    return [
        (flag, (slice(top, top + PATCH), slice(x, x + PATCH)))
        for flag, x in zip(Flag, columns, strict=True)
    ]


def _frame(
    i: int,
    shift: Array,
    stars: Array,
    shape: tuple[int, int],
    kind: Kind,
    cfa: str | None,
    colour: bool,
    rng: np.random.Generator,
) -> Frame:
    signal = np.full(shape, SKY.get(kind, 0.0)) * (1 + 0.03 * i)
    if kind is Kind.FLAT:
        signal *= _vignetting(shape)
    signal += _light(shape, stars, shift)
    planes = signal[None] * np.array([0.8, 1.0, 0.6])[:, None, None] if colour else signal
    noise = np.sqrt((READ_NOISE / GAIN) ** 2 + planes / GAIN)
    data = BLACK + planes + rng.normal(0, 1, planes.shape) * noise
    flags = np.zeros(shape, np.uint8)
    for flag, place in patches(shape):
        flags[place] |= np.uint8(flag)
        if flag is Flag.SATURATED:
            data[(..., *place)] = WHITE
    y, x = (int(rng.integers(0, size - PATCH)) for size in shape)
    flags[y : y + PATCH, x : x + PATCH] |= np.uint8(Flag.TRANSIENT)
    data[..., y : y + PATCH, x : x + PATCH] += 900.0
    data = np.minimum(data, WHITE)
    flags[(data >= WHITE).reshape(-1, *shape).any(axis=0)] |= np.uint8(Flag.SATURATED)
    info = FrameInfo(
        kind=kind,
        path=f"{kind.value}_{i:03}.fits",
        digest=f"{i:064x}",
        camera="Invented K1",
        optics="200 mm lens",
        iso=800,
        gain=GAIN,
        read_noise=READ_NOISE,
        exposure=0.001 if kind is Kind.BIAS else 60.0,
        temperature=10.0,
        shape=shape,
        cfa=cfa,
        black=(BLACK,),
        white=WHITE,
        start=datetime(2026, 3, 14, 21, tzinfo=UTC) + timedelta(minutes=i),
        target="Sample field",
    )
    return Frame(data.astype(np.float32), flags, info, history=(f"made sample {i}",))


def _stars(shape: tuple[int, int], rng: np.random.Generator) -> Array:
    """(n, 3): y, x, flux in ADU; one star in about 300 px, none by the edge or another star."""
    found: list[tuple[float, float, float]] = []
    for _ in range(shape[0] * shape[1] // 100):
        y, x = rng.uniform(9, shape[0] - 9), rng.uniform(9, shape[1] - 9)
        if all((y - v) ** 2 + (x - u) ** 2 > 120 for v, u, _ in found):
            found.append((y, x, float(np.exp(rng.uniform(np.log(8e3), np.log(8e4))))))
    return np.array(found)


def _light(shape: tuple[int, int], stars: Array, shift: Array) -> Array:
    """The stars' light (ADU): Gaussians of sigma 1.4 px."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    image = np.zeros(shape)
    for v, u, flux in stars:
        square = (y - v - shift[0]) ** 2 + (x - u - shift[1]) ** 2
        image += flux / (2 * np.pi * 1.96) * np.exp(-square / (2 * 1.96))
    return image


def _vignetting(shape: tuple[int, int]) -> Array:
    y, x = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
    fall: Array = 1 - 0.15 * (y**2 + x**2)
    return fall
