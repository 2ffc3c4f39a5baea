"""What is true of an invented night: everything the pixels were made from."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from coldframe.demo.events import Trail
from coldframe.demo.geometry import Projection
from coldframe.demo.optics import Dust, Optics
from coldframe.demo.sensor import Camera
from coldframe.demo.sky import Cloud, Glow, Nebula, Psf, Stars
from coldframe.errors import UsageError
from coldframe.frame import Array, Kind


@dataclass(frozen=True, slots=True)
class View:
    """How the sky looked in one light frame. hopeless : clouds hid it, no one could use it."""

    projection: Projection
    psf: Psf
    glow: Glow
    transparency: float
    trails: tuple[Trail, ...] = ()
    hopeless: bool = False


@dataclass(frozen=True, slots=True)
class Shot:
    """One exposure. name : file name below the night's folder, with forward slashes.

    band : which band a monochrome camera saw, by number; None for a CFA camera or no light.
    lamp : photo-electrons per pixel by band on the optical axis, for flats. exposure in s,
    temperature in °C, start with a time zone.
    """

    name: str
    kind: Kind
    start: datetime
    exposure: float
    setting: int
    temperature: float
    band: int | None = None
    view: View | None = None
    lamp: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Truth:
    """An invented night. kind : "colour" or "mono". bands : their names, in the order of rates.

    night : its number among those of one target under one seed, from 0.
    """

    kind: str
    size: str
    seed: int
    target: str
    shape: tuple[int, int]
    bands: tuple[str, ...]
    camera: Camera
    optics: Optics
    dust: tuple[Dust, ...]
    stars: Stars
    nebula: Nebula
    shots: tuple[Shot, ...]
    night: int = 0

    @property
    def lights(self) -> dict[str, Shot]:
        """Light frames by file name, without folders."""
        return {s.name.rsplit("/", 1)[-1]: s for s in self.shots if s.kind is Kind.LIGHT}

    def cell(self, band: int | None) -> Array:
        """Band number of each pixel of the 2 x 2, for `coldframe.demo.render`."""
        if band is not None or self.camera.cfa is None:
            return np.full((2, 2), band or 0)
        return np.array([self.bands.index(colour) for colour in self.camera.cfa]).reshape(2, 2)


def together(nights: Sequence[Truth]) -> Truth:
    """The truth about several nights of one target as one, for the score of their common stack.

    Dust is that of the first night: the score goes by the light that the optics let through.
    """
    return replace(nights[0], shots=tuple(shot for truth in nights for shot in truth.shots))


def truth_path(folder: Path) -> Path:
    """Where the truth about a night lies: beside its folder, where no run looks for frames."""
    return folder.parent / f"{folder.name}-truth.json"


def save_truth(truth: Truth, path: Path) -> None:
    """Write the truth as JSON."""
    text = json.dumps(asdict(truth), default=_plain, separators=(",", ":"))
    path.write_text(text + "\n", encoding="utf-8")


def load_truth(path: Path) -> Truth:
    """The truth from a file that `save_truth` wrote.

    Raises
    ------
    UsageError
        There is no such file, or it is not one that the demo wrote.
    """
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        return _truth(data)
    except FileNotFoundError:
        raise UsageError(
            f"{path}: there is no such file; make the night with the demo first"
        ) from None
    except (ValueError, KeyError, TypeError, AttributeError, OSError):
        raise UsageError(f"{path}: not a truth file that the demo wrote") from None


def _plain(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, datetime):
        return value.isoformat()
    raise TypeError(f"cannot write {type(value).__name__} as JSON")


def _truth(data: Mapping[str, Any]) -> Truth:
    camera = dict(data["camera"])
    camera["settings"] = {int(k): tuple(v) for k, v in camera["settings"].items()}
    for name in ("black", "hot_rate", "pattern"):
        camera[name] = tuple(camera[name])
    known = {k: data[k] for k in ("kind", "size", "seed", "target")}
    return Truth(
        **known,
        shape=(data["shape"][0], data["shape"][1]),
        bands=tuple(data["bands"]),
        camera=Camera(**camera),
        optics=Optics(**{**data["optics"], "axis": tuple(data["optics"]["axis"])}),
        dust=tuple(Dust(**d) for d in data["dust"]),
        stars=Stars(**{k: np.array(v, dtype=np.float64) for k, v in data["stars"].items()}),
        nebula=Nebula(
            tuple(Cloud(**{**c, "peak": tuple(c["peak"])}) for c in data["nebula"]["clouds"])
        ),
        shots=tuple(_shot(s) for s in data["shots"]),
        night=data["night"],
    )


def _shot(data: Mapping[str, Any]) -> Shot:
    known = dict(data)
    known["kind"] = Kind(data["kind"])
    known["start"] = datetime.fromisoformat(data["start"])
    known["lamp"] = tuple(data["lamp"])
    if data["view"] is not None:
        view = data["view"]
        known["view"] = View(
            projection=Projection(**view["projection"]),
            psf=Psf(**view["psf"]),
            glow=Glow(**{**view["glow"], "level": tuple(view["glow"]["level"])}),
            transparency=view["transparency"],
            trails=tuple(Trail(**{**t, "peak": tuple(t["peak"])}) for t in view["trails"]),
            hopeless=view["hopeless"],
        )
    return Shot(**known)
