"""The camera file: what was measured about one camera, in YAML, with the unit of every key."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from coldframe.errors import Problem, RecipeError, UsageError
from coldframe.product import atomic
from coldframe.schema_words import limited, wanted
from coldframe.yamlpos import load_with_positions

VERSION = 1

_HEAD = """\
# Coldframe camera file: what was measured about one camera. Runs read it; see docs/cameras.md.
# gain: e-/ADU. read_noise, full_well, dsnu: e-. *_adu, black, white: ADU. dark.rate: e-/s.
# prnu, linearity: %. temperature, doubling: °C. *_error: standard uncertainty, same unit.
"""

_UNITS: Mapping[str, str] = {
    **dict.fromkeys(("black", "white"), "ADU"),
    **dict.fromkeys(("read_noise", "full_well", "dsnu"), "e-"),
    **dict.fromkeys(("prnu", "linearity"), "%"),
    **dict.fromkeys(("temperature", "doubling"), "°C"),
    "gain": "e-/ADU",
    "rate": "e-/s",
    "exposure": "s",
}


@dataclass(frozen=True, slots=True)
class DarkRate:
    """Dark current at one sensor temperature; hot_share is a fraction of all pixels."""

    temperature: float | None
    rate_adu: float
    rate_adu_error: float
    rate: float | None = None
    rate_error: float | None = None
    hot_share: float | None = None
    exposure: float | None = None  # s, of the longest darks


@dataclass(frozen=True, slots=True)
class Setting:
    """One ISO or gain setting of the camera. None where it was not measured.

    Units as in the head of the file; full_well_reached False says that the sensor holds more.
    """

    iso: int | None = None
    gain_setting: float | None = None
    offset: float | None = None
    binning: tuple[int, int] | None = None
    gain: float | None = None
    gain_error: float | None = None
    read_noise: float | None = None
    read_noise_error: float | None = None
    read_noise_adu: float | None = None
    read_noise_adu_error: float | None = None
    black: tuple[float, ...] | None = None
    white: float | None = None
    full_well: float | None = None
    full_well_error: float | None = None
    full_well_reached: bool | None = None
    linearity: tuple[float, float] | None = None
    dsnu: Mapping[str, float] | None = None
    dsnu_adu: Mapping[str, float] | None = None
    prnu: Mapping[str, float] | None = None
    dark: tuple[DarkRate, ...] = ()
    doubling: float | None = None
    doubling_error: float | None = None

    def dark_rate(self, temperature: float | None) -> float | None:
        """Dark current in e-/s at a sensor temperature, °C.

        From the nearest measured temperature by the doubling temperature; without that only a
        measurement within 2 °C counts. None when nothing is known.
        """
        known = [d for d in self.dark if d.rate is not None and d.rate > 0]
        if not known:
            return None
        if temperature is None:
            return known[0].rate if len(known) == 1 else None
        placed = [d for d in known if d.temperature is not None]
        if not placed:
            return None
        near = min(placed, key=lambda d: abs((d.temperature or 0.0) - temperature))
        off = temperature - (near.temperature or 0.0)
        if self.doubling is not None:
            return float((near.rate or 0.0) * 2 ** (off / self.doubling))
        return near.rate if abs(off) <= 2 else None


@dataclass(frozen=True, slots=True)
class CameraFile:
    """A camera and its settings. camera : make and model as the frames say; shape : (y, x)."""

    camera: str
    cfa: str | None = None
    shape: tuple[int, int] | None = None
    frames: int = 0
    settings: tuple[Setting, ...] = field(default_factory=tuple)
    path: str = ""

    @property
    def name(self) -> str:
        """What messages call it."""
        return Path(self.path).name or "the camera file"

    def setting_for(self, **facts: Any) -> Setting | None:
        """The setting that agrees with iso, gain_setting, offset and binning.

        What either side does not know does not part them, except ISO and gain setting.
        """
        for one in self.settings:
            strict = all(facts.get(n) == getattr(one, n) for n in ("iso", "gain_setting"))
            loose = all(
                None in (facts.get(n), getattr(one, n)) or facts[n] == getattr(one, n)
                for n in ("offset", "binning")
            )
            if strict and loose:
                return one
        return None


_POSITIVE = {"type": "number", "exclusiveMinimum": 0}
_ANY = {"type": "number"}
_LEAST_0 = {"type": "number", "minimum": 0}
_COLOURS = {
    "type": "object",
    "propertyNames": {"enum": ["R", "G", "B", "mono"]},
    "additionalProperties": _LEAST_0,
}
_DARK: Mapping[str, Any] = {
    "type": "object",
    "additionalProperties": False,
    "required": ["rate_adu", "rate_adu_error"],
    "properties": {
        "temperature": _ANY,
        "rate_adu": _ANY,
        "rate_adu_error": _LEAST_0,
        "rate": _ANY,
        "rate_error": _LEAST_0,
        "hot_share": {"type": "number", "minimum": 0, "maximum": 1},
        "exposure": _POSITIVE,
    },
}
_SETTING: Mapping[str, Any] = {
    "type": "object",
    "additionalProperties": False,
    "properties": {
        "iso": {"type": "integer", "minimum": 1},
        "gain_setting": _ANY,
        "offset": _ANY,
        "binning": {"type": "array", "items": {"type": "integer"}, "minItems": 2, "maxItems": 2},
        **dict.fromkeys(("gain", "read_noise", "read_noise_adu", "white", "doubling"), _POSITIVE),
        "full_well": _POSITIVE,
        "full_well_reached": {"type": "boolean"},
        **dict.fromkeys(
            (
                "gain_error",
                "read_noise_error",
                "read_noise_adu_error",
                "full_well_error",
                "doubling_error",
            ),
            _LEAST_0,
        ),
        "black": {"type": "array", "items": _ANY, "minItems": 1, "maxItems": 4},
        "linearity": {"type": "array", "items": _ANY, "minItems": 2, "maxItems": 2},
        **dict.fromkeys(("dsnu", "dsnu_adu", "prnu"), _COLOURS),
        "dark": {"type": "array", "items": _DARK},
    },
}
SCHEMA: Mapping[str, Any] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "Coldframe camera file",
    "type": "object",
    "additionalProperties": False,
    "required": ["camera-file", "camera", "settings"],
    "properties": {
        "camera-file": {"const": VERSION},
        "camera": {"type": "string", "minLength": 1},
        "cfa": {"type": "string", "pattern": "^[RGB]{4}$"},
        "shape": {"type": "array", "items": {"type": "integer"}, "minItems": 2, "maxItems": 2},
        "frames": {"type": "integer", "minimum": 0},
        "settings": {"type": "array", "items": _SETTING, "minItems": 1},
    },
}
"""JSON Schema of a camera file."""


def load_camera(path: Path) -> CameraFile:
    """Read a camera file.

    Raises
    ------
    UsageError
        There is no such file or it cannot be read.
    RecipeError
        It has faults: all of them, each with its line and column.
    """
    import jsonschema

    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise UsageError(f"{path}: not UTF-8 text, so no camera file") from None
    except FileNotFoundError:
        raise UsageError(f"{path}: no such file; check the spelling") from None
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror or error}") from None
    data, at = load_with_positions(text, str(path))
    problems = []
    for fault in jsonschema.Draft202012Validator(SCHEMA).iter_errors(data):
        where = tuple(fault.absolute_path)
        if fault.validator == "additionalProperties":
            known = fault.schema.get("properties", {})
            for extra in sorted(set(fault.instance) - set(known)):
                place = at.key((*where, extra))
                problems.append(Problem(str(path), *place, f"unknown key '{extra}'"))
            continue
        problems.append(Problem(str(path), *at.value(where), _words(fault, where)))
    if problems:
        raise RecipeError(sorted(problems, key=lambda p: (p.line, p.column)))
    return _from_dict(data, str(path))


def _words(fault: Any, where: Sequence[str | int]) -> str:
    if not where and fault.validator == "type":
        return "not a camera file: there must be lines of the form key: value"
    name = ".".join(map(str, where))
    unit = _unit(where)
    should = wanted(fault, unit) if fault.validator == "type" else limited(fault, unit)
    if should is not None:
        return f"'{name}' is {fault.instance!r}, but must be {should}"
    return f"'{name}': {fault.message}" if name else f"not a camera file: {fault.message}"


def _unit(where: Sequence[str | int]) -> str:
    """The unit of a key, as the head of the file tells it; "" for keys without one."""
    for part in reversed([part for part in where if isinstance(part, str)]):
        if part.removesuffix("_error").endswith("_adu"):
            return "ADU"
        if part.removesuffix("_error") in _UNITS:
            return _UNITS[part.removesuffix("_error")]
    return ""


def _from_dict(data: Mapping[str, Any], path: str) -> CameraFile:
    settings = []
    for entry in data["settings"]:
        values = dict(entry)
        for name in ("binning", "black", "linearity"):
            if name in values:
                values[name] = tuple(values[name])
        values["dark"] = tuple(
            DarkRate(temperature=d.get("temperature"), **{k: v for k, v in d.items() if k != "temperature"})
            for d in values.get("dark", ())
        )  # fmt: skip
        settings.append(Setting(**values))
    shape = data.get("shape")
    return CameraFile(
        camera=data["camera"],
        cfa=data.get("cfa"),
        shape=(shape[0], shape[1]) if shape else None,
        frames=data.get("frames", 0),
        settings=tuple(settings),
        path=path,
    )


def as_dict(camera: CameraFile) -> dict[str, Any]:
    """The file's content, JSON-ready; what was not measured is left out."""
    head: dict[str, Any] = {"camera-file": VERSION, "camera": camera.camera}
    if camera.cfa:
        head["cfa"] = camera.cfa
    if camera.shape:
        head["shape"] = list(camera.shape)
    head["frames"] = camera.frames
    head["settings"] = [dict(_plain(setting)) for setting in camera.settings]
    return head


def _plain(one: Setting | DarkRate) -> Iterator[tuple[str, Any]]:
    for f in fields(one):
        value = getattr(one, f.name)
        if value is None or value == ():
            continue
        if f.name == "dark":
            yield f.name, [dict(_plain(d)) for d in value]
        elif isinstance(value, tuple):
            yield f.name, [_short(v) for v in value]
        elif isinstance(value, Mapping):
            yield f.name, {k: _short(v) for k, v in value.items()}
        else:
            yield f.name, _short(value)


def _short(value: Any) -> Any:
    """Numbers to five significant digits: no measurement here is better than that."""
    return float(f"{value:.5g}") if isinstance(value, float) else value


def save_camera(camera: CameraFile, path: Path) -> Path:
    """Write a camera file, atomically. Raises StoreError when it cannot be written."""
    import yaml

    text = _HEAD + yaml.safe_dump(as_dict(camera), sort_keys=False, allow_unicode=True)
    with atomic(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")
    return path
