"""The lines of a shot list, what is asked for, and lights that are planned."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from coldframe.dithering import Shift
from coldframe.frame import FrameInfo, Kind
from coldframe.shots.forecast import Forecast


@dataclass(frozen=True, slots=True)
class Wish:
    """share : how much each kind of master may add to the stack's noise, as a fraction. least :
    frames of a kind, so that outliers can be told. positions : dither positions of
    the lights, where they are given. shifts : else, where the lights lie, by frame id; run : where
    that was measured, in words. overhead : s after each frame. above : °C that the sensor is warmer
    than the air."""

    share: float = 0.02
    least: int = 10
    positions: int | None = None
    overhead: float = 2.0
    forecast: Forecast | None = None
    above: float = 0.0
    shifts: Mapping[str, Shift] = field(default_factory=dict)
    run: str = ""


@dataclass(frozen=True, slots=True)
class Dithered:
    """Dither positions of lights, and in words what tells of them."""

    positions: int
    why: str

    @property
    def words(self) -> str:
        """Such as "8 positions, counted from the shifts of 12 lights in reeds-stack"."""
        return f"{self.positions} position{'s' * (self.positions != 1)}, {self.why}"


@dataclass(frozen=True, slots=True)
class Plan:
    """Lights that are planned, not taken. info : their settings (no path). count : of lights.
    sky : e-/s in a pixel with dark current, None when not known."""

    info: FrameInfo
    count: int = 20
    sky: float | None = None


@dataclass(frozen=True, slots=True)
class Item:
    """One line of the shot list.

    info : the settings to shoot at. serves : which lights; `lights`, how many. have, wanted,
    shoot : frames. now, then : what the master adds to the stack's noise, with the frames that
    exist and with those wanted; None when noise is not known. seconds : to shoot the rest.
    reason : why so many. notes : for the photographer. start : minutes since the forecast's first
    midnight, for the order. when : in words.
    """

    kind: Kind
    info: FrameInfo
    serves: str
    lights: int
    have: int
    wanted: int
    now: float | None
    then: float | None
    reason: str
    seconds: float
    notes: tuple[str, ...] = ()
    start: float = math.inf
    when: str = ""

    @property
    def shoot(self) -> int:
        """Frames still to shoot."""
        return max(0, self.wanted - self.have)


@dataclass(frozen=True, slots=True)
class ShotList:
    """Items in the order to shoot them. together : by lights, what all masters add when done.
    dithering : by lights, how many dither positions were counted on and why."""

    items: tuple[Item, ...]
    together: tuple[tuple[str, float], ...] = ()
    dithering: tuple[tuple[str, Dithered], ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def dithering_words(self) -> tuple[str, ...]:
        """How many dither positions were counted on, by lights where they differ."""
        told = {dithered.words for _, dithered in self.dithering}
        if len(told) < 2:
            return tuple(told)
        return tuple(f"{label}: {dithered.words}" for label, dithered in self.dithering)

    @property
    def seconds(self) -> float:
        """Time for all that is to be shot, s."""
        return sum(item.seconds for item in self.items)


_NAMES = {
    Kind.DARK: "darks",
    Kind.FLAT: "flats",
    Kind.BIAS: "bias frames",
    Kind.DARK_FLAT: "dark flats",
}


def name_of(kind: Kind) -> str:
    """The kind in the plural."""
    return _NAMES[kind]
