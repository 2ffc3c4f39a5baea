"""The two invented outfits of the demo: their cameras, optics, skies and numbers of frames."""

from __future__ import annotations

from dataclasses import dataclass

from coldframe.demo.optics import Optics
from coldframe.demo.sensor import Camera
from coldframe.errors import UsageError

SIZES = ("tiny", "small", "full")
KINDS = ("colour", "mono")

COLOUR_CAMERA = Camera(
    make="Nachtauge",
    model="N1",
    cfa="RGGB",
    black=(511.0, 512.0, 512.0, 513.0),
    white=16383,
    settings={100: (3.8, 5.5), 1600: (0.2375, 2.4)},
    full_well=60_000,
    dark=0.15,
    dark_at=20.0,
    doubling=6.0,
    dark_spread=0.35,
    hot=4e-4,
    hot_rate=(1.0, 200.0),
    glow=0.8,
    pattern=(0.6, 0.35, 0.3),
    slope=0.8,
    prnu=0.006,
    pitch=6.0,
)

MONO_CAMERA = Camera(
    make="Nachtauge",
    model="M1 cooled",
    cfa=None,
    black=(1000.0, 1000.0, 1000.0, 1000.0),
    white=65535,
    settings={100: (0.8, 3.0)},
    full_well=50_000,
    dark=0.08,
    dark_at=0.0,
    doubling=6.0,
    dark_spread=0.4,
    hot=3e-4,
    hot_rate=(0.2, 20.0),
    glow=0.5,
    pattern=(0.9, 0.5, 0.4),
    slope=1.5,
    prnu=0.008,
    pitch=4.5,
)


@dataclass(frozen=True, slots=True)
class Scenario:
    """What a night is made of. Rates are e-/s (a pixel, for surfaces); lists run by band.

    lights : number by band (one number for a CFA camera). exposure : s, of the lights.
    flat_exposure : s, by filter. star_bands : see `coldframe.demo.sky.make_stars`.
    dark_sets : (number, temperature in °C); the first fits the lights. drift : share of the
    sensor's diagonal that the pointing wanders in the night. fwhm : px.
    """

    kind: str
    shape: tuple[int, int]
    camera: Camera
    optics: Optics
    target: str
    bands: tuple[str, ...]
    setting: int
    flat_setting: int
    exposure: float
    flat_exposure: tuple[float, ...]
    lights: tuple[int, ...]
    dark_sets: tuple[tuple[int, float], ...]
    flats: int
    biases: int
    stars_per_megapixel: float
    star_bands: tuple[tuple[float, float], ...]
    sky: tuple[float, ...]
    nebula_shell: tuple[float, ...]
    nebula_core: tuple[float, ...]
    fwhm: float
    drift: float


def scenario(kind: str, size: str) -> Scenario:
    """The outfit of that kind ("colour" or "mono") and size ("tiny", "small" or "full").

    Raises
    ------
    UsageError
        There is no such kind or size.
    """
    for name, value, known in (("kind", kind, KINDS), ("size", size, SIZES)):
        if value not in known:
            raise UsageError(f"there is no demo of {name} '{value}'; choose {', '.join(known)}")
    return _colour(size) if kind == "colour" else _mono(size)


def _colour(size: str) -> Scenario:
    shapes = {"tiny": (240, 360), "small": (1000, 1500), "full": (4000, 6000)}
    few = size == "tiny"
    shape = shapes[size]
    return Scenario(
        kind="colour",
        shape=shape,
        camera=COLOUR_CAMERA,
        optics=_scaled_axis(shape, "135 mm f/2.8 lens", 135.0, 2.8, 9.1, 0.18, 0.004),
        target="Lantern Nebula",
        bands=("R", "G", "B"),
        setting=1600,
        flat_setting=100,
        exposure=120.0,
        flat_exposure=(0.5,),
        lights=(7,) if few else (18,),
        dark_sets=((4, 13.5), (2, 20.5)) if few else ((12, 13.5), (8, 20.5), (6, 5.5)),
        flats=4 if few else 20,
        biases=4 if few else 20,
        stars_per_megapixel=6000 if few else 2700,
        star_bands=((0.75, 0.35), (1.0, 0.0), (0.7, -0.45)),
        sky=(3.0, 4.0, 2.8),
        nebula_shell=(0.60, 0.24, 0.28),
        nebula_core=(0.16, 0.28, 0.38),
        fwhm=2.8,
        drift=0.015,
    )


def _mono(size: str) -> Scenario:
    shapes = {"tiny": (240, 320), "small": (800, 1200), "full": (4000, 6000)}
    few = size == "tiny"
    shape = shapes[size]
    return Scenario(
        kind="mono",
        shape=shape,
        camera=MONO_CAMERA,
        optics=_scaled_axis(shape, "400 mm f/5 refractor", 400.0, 5.0, 2.0, 0.16, 0.0),
        target="Lantern Nebula",
        bands=("L", "R", "G", "B"),
        setting=100,
        flat_setting=100,
        exposure=60.0,
        flat_exposure=(1.5, 4.0, 4.0, 4.0),
        lights=(6, 4, 4, 4) if few else (12, 6, 6, 6),
        dark_sets=((4, -10.0), (2, 0.0)) if few else ((20, -10.0), (6, 0.0)),
        flats=3 if few else 20,
        biases=4 if few else 20,
        stars_per_megapixel=6000 if few else 1500,
        star_bands=((2.4, 0.0), (0.75, 0.35), (1.0, 0.0), (0.7, -0.45)),
        sky=(3.2, 1.1, 1.2, 1.0),
        nebula_shell=(0.75, 0.40, 0.14, 0.18),
        nebula_core=(0.50, 0.10, 0.18, 0.25),
        fwhm=3.2,
        drift=0.015,
    )


def _scaled_axis(
    shape: tuple[int, int],
    name: str,
    focal_length: float,
    aperture: float,
    edge_angle: float,
    edge_loss: float,
    distortion: float,
) -> Optics:
    diagonal = (shape[0] ** 2 + shape[1] ** 2) ** 0.5
    axis = (0.004 * diagonal, -0.006 * diagonal)  # no lens is mounted quite in the middle
    return Optics(name, focal_length, aperture, edge_angle, edge_loss, axis, distortion)
