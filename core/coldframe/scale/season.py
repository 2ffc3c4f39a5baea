"""Invented facts of as many frames as wanted: a season of nights, without a file or a pixel."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime, timedelta

from coldframe.frame import FrameInfo, Kind

LIGHTS = 180  # a night
FLATS = 20  # each night's own
BIASES = 20
DARKS = 30  # of each temperature
SETS = (16.0, 11.0, 6.0)  # °C


def season(
    count: int, shape: tuple[int, int] = (4000, 6000), reader: str = "camera-raw"
) -> list[tuple[FrameInfo, str]]:
    """Facts of `count` frames of an uncooled colour camera, with the reader's name.

    Darks and biases lie in a folder of their own, which comes first; every night brings lights and
    flats; three targets take turns. Fewer frames than a night holds are shared out alike.
    """
    share = min(1.0, count / (LIGHTS + FLATS + 2 * BIASES + DARKS * len(SETS)))
    darks, biases, flats = (max(1, round(n * share)) for n in (DARKS, BIASES, FLATS))
    out: list[FrameInfo] = []
    sets = SETS if share == 1 else SETS[:1]
    for number, temperature in enumerate(sets):
        out += _shots("darks", Kind.DARK, darks, 120.0, 1600, number, temperature, shape)
    for iso in (1600, 100):  # of the lights and of the flats
        out += _shots("darks", Kind.BIAS, biases, 1 / 4000, iso, 3, 12.0, shape)
    night = 0
    while len(out) < count:
        night += 1
        name, left = f"night-{night:04}", count - len(out)
        day = 10 * 24 + 24 * night
        lights = max(1, min(LIGHTS, left - min(flats, left - 1)))
        out += _shots(
            name, Kind.LIGHT, lights, 120.0, 1600, day, 14.0, shape, f"Target {night % 3}"
        )
        out += _shots(name, Kind.FLAT, min(flats, left - lights), 0.5, 100, day + 9, 8.0, shape)
    return [(info, reader) for info in out]


def _shots(
    night: str,
    kind: Kind,
    count: int,
    exposure: float,
    iso: int,
    hour: int,
    temperature: float,
    shape: tuple[int, int],
    target: str | None = None,
) -> list[FrameInfo]:
    begin = datetime(2026, 1, 1, 20, tzinfo=UTC) + timedelta(hours=hour)
    made = []
    for i in range(count):
        name = f"{night}/{kind.value}-{iso}-{hour}-{i:05}"
        made.append(
            FrameInfo(
                kind=kind,
                kind_reason="invented",
                path=f"/season/{name}.dng",
                digest=hashlib.blake2b(name.encode(), digest_size=32).hexdigest(),
                camera="Nachtauge N1",
                lens="135 mm f/2.8 lens",
                iso=iso,
                exposure=exposure,
                # The sensor cools through the night, and no two nights alike.
                temperature=round(temperature - 0.02 * i + (hour % 7) * 0.3, 2),
                temperature_source="notes file",
                aperture=2.8,
                focal_length=135.0,
                filter="clear" if kind in (Kind.LIGHT, Kind.FLAT) else None,
                shape=shape,
                cfa="RGGB",
                black=(511.0, 512.0, 512.0, 513.0),
                white=16383.0,
                start=begin + timedelta(seconds=i * (exposure + 10)),
                target=target,
                night=night,
            )
        )
    return made
