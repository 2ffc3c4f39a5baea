"""Keys and columns of notes as people write them: a known name with a unit behind it.

`exposure_ms`, `Exposure (s)`, `temperature_f`, `time_utc`: the value is converted to the unit that the
name is kept in. Only units that can mean one thing are taken: `exposure_m` is refused.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from coldframe.notes_values import clock_text
from coldframe.renamed import nearest


@dataclass(frozen=True, slots=True)
class Unit:
    """value in the kept unit = offset + factor * number. symbol : for messages."""

    symbol: str
    factor: float = 1.0
    offset: float = 0.0


_SECONDS, _MILLI, _MICRO = Unit("s"), Unit("ms", 1e-3), Unit("µs", 1e-6)
_MINUTES, _HOURS = Unit("min", 60.0), Unit("h", 3600.0)
_CELSIUS, _KELVIN = Unit("°C"), Unit("K", 1.0, -273.15)
_FAHRENHEIT = Unit("°F", 5 / 9, -160 / 9)
_ADU, _ELECTRONS, _GAIN = Unit("ADU"), Unit("e-"), Unit("e-/ADU")


def _spelled(*words: tuple[str, Unit]) -> Mapping[str, Unit]:
    return {word: unit for names, unit in words for word in names.split()}


_LEVEL = _spelled(("adu dn", _ADU))
_DEGREES = _spelled(
    ("c celsius degc deg_c", _CELSIUS),
    ("f fahrenheit degf deg_f", _FAHRENHEIT),
    ("k kelvin", _KELVIN),
)
UNITS: Mapping[str, Mapping[str, Unit]] = {
    "exposure": _spelled(
        ("s sec secs second seconds", _SECONDS),
        ("ms msec millisecond milliseconds", _MILLI),
        ("us µs microsecond microseconds", _MICRO),
        ("min mins minute minutes", _MINUTES),
        ("h hour hours", _HOURS),
    ),
    "temperature": _DEGREES,
    "focal_length": _spelled(
        ("mm", Unit("mm")),
        ("cm", Unit("cm", 10.0)),
        ("m", Unit("m", 1000.0)),
        ("in inch inches", Unit("in", 25.4)),  # ISO 31-1: exactly 25.4 mm
    ),
    "gain": _spelled(("e_adu e/adu e-/adu e_per_adu", _GAIN)),
    "read_noise": _spelled(("e e- electrons", _ELECTRONS)),
    "black": _LEVEL,
    "white": _LEVEL,
    "utc_offset": _spelled(("h hour hours", Unit("h"))),
}
"""Name -> unit as people write it, in small letters -> unit. The first is the one that is kept."""

_ALONE = {"fahrenheit": ("temperature", _FAHRENHEIT), "kelvin": ("temperature", _KELVIN)}


@dataclass(frozen=True, slots=True)
class Understood:
    """A known name, and how to turn what stands under it into the unit that is kept.

    convert raises ValueError with words for a person.
    """

    name: str
    convert: Callable[[Any], Any]


def understand(word: str, names: Collection[str]) -> Understood | None:
    """One of the known names, perhaps with a unit behind it; None when it is not known."""
    if word in names:
        return Understood(word, _as_it_is)
    plain = re.sub(r"[\s_()\[\]°]+", "_", word.lower()).strip("_")
    if plain in names:
        return Understood(plain, _as_it_is)
    if plain in ("time_utc", "time_ut", "time_z", "utc_time", "utc") and "time" in names:
        return Understood("time", _in_utc)
    if plain in _ALONE and _ALONE[plain][0] in names:
        name, unit = _ALONE[plain]
        return Understood(name, _converter(unit))
    for name, units in UNITS.items():
        unit_word = plain.removeprefix(f"{name}_")
        if name in names and unit_word != plain and unit_word in units:
            return Understood(name, _converter(units[unit_word]))
    return None


def unknown(word: str, names: Collection[str]) -> str:
    """A tail for a message about a name that is not understood."""
    plain = word.lower()
    for name in sorted(names, key=len, reverse=True):
        if plain.startswith(f"{name}_"):
            symbols = dict.fromkeys(unit.symbol for unit in UNITS.get(name, {}).values())
            if symbols:
                return f"; '{name}' may end in one of its units: {', '.join(symbols)}"
            return f"; write '{name}', without a unit"
    return nearest(word, names, place="notes")


def _as_it_is(value: Any) -> Any:
    return value


def _converter(unit: Unit) -> Callable[[Any], Any]:
    def convert(value: Any) -> Any:
        if unit.factor == 1 and unit.offset == 0:
            return value  # the name's own parser says what is wrong with it
        try:
            if isinstance(value, bool):
                raise ValueError
            number = float(value)
        except (TypeError, ValueError):
            raise ValueError(f"{value!r} is not a number of {unit.symbol}") from None
        if not math.isfinite(number):
            raise ValueError(f"{value!r} is not a finite number of {unit.symbol}")
        return round(unit.offset + unit.factor * number, 9)

    return convert


def _in_utc(value: Any) -> Any:
    """A time that is UTC where it does not say otherwise itself."""
    if isinstance(value, datetime):
        return value if value.tzinfo else value.replace(tzinfo=UTC)
    text = clock_text(value)
    said = re.search(r"\d:\d\d(:\d\d(\.\d+)?)?\s*(Z|[+-]\d\d:?\d\d)$", text)
    return text if said else f"{text}Z"
