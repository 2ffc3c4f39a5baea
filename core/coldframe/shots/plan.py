"""The shot list: which calibration frames the lights still need, how many, and when."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from coldframe.camera.file import CameraFile
from coldframe.camera.window import Reader
from coldframe.errors import UsageError
from coldframe.facts import describe, exposure_text
from coldframe.frame import FrameInfo, Kind
from coldframe.grouping import group
from coldframe.matching import DEFAULT_RULES
from coldframe.report.numbers import count
from coldframe.shots.forecast import Forecast, clock, spans
from coldframe.shots.noise import added_noise, flat_ratio, frames_for, offset_ratio, together
from coldframe.shots.stock import FrameNoise, LightNoise, Noises, Stocked, find, stock

LONG_FLAT = 2.0
"""s: from here on flats want dark flats, below bias does (common practice, no source)."""

USUAL = 20
"""Frames of a kind where noise is not known (common practice, no source)."""

_TURNS = {Kind.FLAT: 0, Kind.DARK_FLAT: 1, Kind.DARK: 2, Kind.BIAS: 3}


@dataclass(frozen=True, slots=True)
class Wish:
    """share : how much each kind of master may add to the stack's noise, as a fraction. least :
    frames of a kind, so that outliers can be told. positions : different places on the sensor
    that the lights lie at. overhead : s after each frame. above : degC that the sensor is warmer
    than the air."""

    share: float = 0.02
    least: int = 10
    positions: int = 1
    overhead: float = 2.0
    forecast: Forecast | None = None
    above: float = 0.0


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
    """Items in the order to shoot them. together : by lights, what all masters add when done."""

    items: tuple[Item, ...]
    together: tuple[tuple[str, float], ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def seconds(self) -> float:
        """Time for all that is to be shot, s."""
        return sum(item.seconds for item in self.items)


def make_list(
    frames: Sequence[FrameInfo],
    plans: Sequence[Plan],
    cameras: Sequence[CameraFile],
    read: Reader,
    wish: Wish,
    masters: Iterable[Stocked] = (),
) -> ShotList:
    """Which calibration frames are missing or too few.

    Parameters
    ----------
    frames : of the nights: lights and whatever calibration frames there are.
    plans : lights yet to be taken. cameras : camera files.
    read : gives a frame's pixels.
    masters : further masters, such as a library's; `frames` of each counts.

    Raises
    ------
    UsageError
        There is neither a light nor a plan.
    """
    lights = [f for f in frames if f.kind is Kind.LIGHT]
    if not lights and not plans:
        raise UsageError("there are no lights; name a night that has some, or plan with --for")
    planner = _Planner(frames, cameras, read, wish, masters)
    for stack in _stacks(lights, plans):
        planner.stack(stack)
    items = [_placed(item, wish) for item in planner.merged()]
    items.sort(key=lambda i: _order(i, wish))
    totals = tuple((label, together(parts)) for label, parts in planner.parts.items() if parts)
    notes = [f"{label} is left out: {why}" for label, why in planner.noises.set_aside]
    return ShotList(tuple(items), totals, tuple(notes))


@dataclass(frozen=True, slots=True)
class _Stack:
    """Lights that one stack is made of.

    info : what they share. members : the lights, or the one planned. dark : by temperature, what
    the darks must be like and how many of the lights they serve.
    """

    info: FrameInfo
    members: tuple[FrameInfo, ...]
    count: int
    sky: float | None
    darks: tuple[tuple[FrameInfo, int], ...]


def _stacks(lights: Sequence[FrameInfo], plans: Sequence[Plan]) -> Iterable[_Stack]:
    everyone = [*lights, *(plan.info for plan in plans)]
    dark_per = ["iso", "gain_setting", "offset", "exposure", "temperature"]
    reach = {"temperature": float(DEFAULT_RULES["dark"]["temperature"])}
    # One set of darks serves all filters, so darks are grouped over all lights at once.
    like: dict[int, FrameInfo] = {}
    for one in group(everyone, dark_per, reach):
        like.update(dict.fromkeys(one.members, one.info))
    per = ["iso", "gain_setting", "offset", "exposure", "filter", "optics"]
    per += ["aperture", "focal_length"]
    for one in group(lights, per):
        served: dict[int, int] = {}
        for i in one.members:
            served[id(like[i])] = served.get(id(like[i]), 0) + 1
        infos = {id(like[i]): like[i] for i in one.members}
        yield _Stack(
            one.info,
            tuple(lights[i] for i in one.members),
            len(one.members),
            None,
            tuple((infos[key], n) for key, n in served.items()),
        )
    for i, plan in enumerate(plans, len(lights)):
        yield _Stack(plan.info, (plan.info,), plan.count, plan.sky, ((like[i], plan.count),))


class _Planner:
    """Goes through the lights and collects what each group of them needs."""

    def __init__(
        self,
        frames: Sequence[FrameInfo],
        cameras: Sequence[CameraFile],
        read: Reader,
        wish: Wish,
        masters: Iterable[Stocked],
    ) -> None:
        self.wish = wish
        self.have = stock(frames, masters)
        self.noises = Noises(frames, cameras, read)
        self.items: list[Item] = []
        self.parts: dict[str, list[float]] = {}

    def stack(self, stack: _Stack) -> None:
        """Add what the lights of one stack need."""
        names = ("target", "filter", "exposure", "iso", "gain_setting")
        label = f"{count(stack.count, 'light')}: {describe(stack.info, names)}"
        light = self.noises.light(stack.members, stack.sky)
        for like, served in stack.darks:
            # What the lights share is served as they are; it has no file and no filter.
            wanted = replace(like, kind=Kind.LIGHT, path="", filter=None, target=None)
            self._dark(wanted, served, stack.count, light, label)
        self._flat(replace(stack.info, kind=Kind.LIGHT, path=""), stack.count, light, label)

    def _dark(
        self, info: FrameInfo, served: int, lights: int, light: LightNoise, label: str
    ) -> None:
        here, chosen = find(info, Kind.DARK, self.have)
        notes: list[str] = []
        if here is not None and chosen.scaled:
            notes.append(
                f"darks of {exposure_text(here.info.exposure or 0)} would have to be scaled"
            )
            here = None
        elif here is None and any(s.kind is Kind.DARK for s in self.have):
            notes.append(chosen.reason)
        if info.temperature is None:
            notes.append("temperature not known: shoot in the lights' own night, or note it")
        noise = self.noises.frame(Kind.DARK, info, here)
        ratio = None
        if noise.variance is not None and light.variance is not None:
            # A master that serves n of N lights is in the stack with the weight n / N.
            ratio = served / lights * offset_ratio(noise.variance, light.variance)
        self._add(Kind.DARK, info, here, served, ratio, label, notes, light, noise, info.exposure)

    def _flat(self, info: FrameInfo, lights: int, light: LightNoise, label: str) -> None:
        here, chosen = find(info, Kind.FLAT, self.have)
        notes: list[str] = []
        if here is None and any(s.kind is Kind.FLAT for s in self.have):
            notes.append(chosen.reason)
        as_shot = here.info if here is not None else replace(info, exposure=None, temperature=None)
        noise = self.noises.frame(Kind.FLAT, as_shot, here)
        ratio = self._share_of_flat(noise.variance, noise.signal, light)
        self._add(
            Kind.FLAT, as_shot, here, lights, ratio, label, notes, light, noise,
            as_shot.exposure,
        )  # fmt: skip
        self._flat_offset(as_shot, lights, noise, light, label)

    def _flat_offset(
        self, flat: FrameInfo, lights: int, flat_noise: FrameNoise, light: LightNoise, label: str
    ) -> None:
        """Dark flats for long flats, bias for short ones; whichever exists serves."""
        dark_flats, _ = find(flat, Kind.DARK_FLAT, self.have)
        long = (flat.exposure or 0.0) >= LONG_FLAT
        kind = Kind.DARK_FLAT if dark_flats is not None or long else Kind.BIAS
        here = dark_flats if kind is Kind.DARK_FLAT else find(flat, Kind.BIAS, self.have)[0]
        noise = self.noises.frame(kind, flat, here)
        ratio = self._share_of_flat(noise.variance, flat_noise.signal, light)
        exposure = flat.exposure if kind is Kind.DARK_FLAT else 0.0
        wanted = flat if kind is Kind.DARK_FLAT else replace(flat, exposure=None)
        wanted = replace(wanted, filter=None, optics=None, lens=None, temperature=None)
        self._add(kind, wanted, here, lights, ratio, label, [], light, noise, exposure)

    def _share_of_flat(
        self, variance: float | None, signal: float | None, light: LightNoise
    ) -> float | None:
        if variance is None or not signal or light.variance is None or light.level is None:
            return None
        return flat_ratio(variance, signal, max(light.level, 0.0), light.variance)

    def _add(
        self,
        kind: Kind,
        info: FrameInfo,
        here: Stocked | None,
        lights: int,
        ratio: float | None,
        label: str,
        notes: list[str],
        light: LightNoise,
        noise: FrameNoise,
        exposure: float | None,
    ) -> None:
        wish = self.wish
        places = min(wish.positions, lights)
        have = here.frames if here is not None else 0
        if ratio is None:
            needed = max(USUAL, lights) if kind is Kind.DARK else USUAL
        else:
            needed = frames_for(ratio, lights, wish.share, places)
        wanted = max(needed, wish.least)
        words = _reason(kind, wanted, needed, wish, ratio, light, noise)
        if ratio is not None and needed > 100 and places < lights:
            notes.append(
                "move the field a little between lights: with the lights at many places on the "
                "sensor (--positions) far fewer do"
            )
        now = then = None
        if ratio is not None:
            now = added_noise(ratio, lights, have, places)
            then = added_noise(ratio, lights, max(wanted, have), places)
        if then is not None:
            self.parts.setdefault(label, []).append(then)
        seconds = max(0, wanted - have) * ((exposure or 0.0) + wish.overhead)
        self.items.append(
            Item(
                kind=kind,
                info=replace(info, kind=kind),
                serves=label,
                lights=lights,
                have=have,
                wanted=wanted,
                now=now if now is None or math.isfinite(now) else None,
                then=then,
                reason=words,
                seconds=seconds,
                notes=tuple(notes),
            )
        )

    def merged(self) -> list[Item]:
        """One line for frames that serve several groups of lights: the most demanding counts."""
        out: dict[tuple[object, ...], Item] = {}
        for item in self.items:
            names = ("iso", "gain_setting", "offset", "exposure", "filter", "optics", "lens")
            warm = item.info.temperature if item.kind is Kind.DARK else None
            key = (
                item.kind,
                item.info.camera,
                *(getattr(item.info, n) for n in names),
                None if warm is None else round(warm, 1),
            )
            if key not in out:
                out[key] = item
                continue
            first = out[key]
            most = max(first, item, key=lambda i: i.wanted)
            notes = tuple(dict.fromkeys(first.notes + item.notes))
            serves = "; ".join(dict.fromkeys([first.serves, item.serves]))
            out[key] = replace(most, serves=serves, lights=first.lights + item.lights, notes=notes)
        return list(out.values())


_NAMES = {
    Kind.DARK: "darks",
    Kind.FLAT: "flats",
    Kind.BIAS: "bias frames",
    Kind.DARK_FLAT: "dark flats",
}


def name_of(kind: Kind) -> str:
    """The kind in the plural."""
    return _NAMES[kind]


def _reason(
    kind: Kind,
    wanted: int,
    needed: int,
    wish: Wish,
    ratio: float | None,
    light: LightNoise,
    noise: FrameNoise,
) -> str:
    what = f"{wanted} {name_of(kind)}"
    if ratio is None:
        why = noise.source if noise.variance is None else light.source
        if noise.variance is not None and light.variance is not None:
            why = "the lights' sky level is not known"
        rule = f"as many as lights, not fewer than {USUAL}" if kind is Kind.DARK else "as usual"
        return f"{what} {rule}, since what they add cannot be computed: {why}"
    keeps = f"{what} keep added noise under {wish.share:.1%}"
    if wanted > needed:
        keeps += f" ({needed} would; {wish.least} tell outliers)"
    sources = noise.source if noise.source == light.source else f"{noise.source}; {light.source}"
    return f"{keeps} ({sources})"


def _cooled(item: Item) -> bool:
    """Whether its temperature can be set: a camera with a gain setting whose header tells it."""
    info = item.info
    return info.gain_setting is not None and info.temperature_source == "header"


def _placed(item: Item, wish: Wish) -> Item:
    """With the time at which the forecast allows it."""
    if item.shoot == 0:
        return replace(item, when="enough")
    if item.kind is Kind.FLAT:
        return replace(item, when="with the optics untouched: twilight, or an even light source")
    if item.kind is not Kind.DARK:
        return replace(item, when="any time")
    temperature = item.info.temperature
    if temperature is None:
        return replace(item, when="at the lights' temperature")
    if _cooled(item):
        return replace(item, when=f"any time, sensor set to {temperature:.0f} °C")
    if wish.forecast is None:
        return replace(item, when=f"when the sensor is near {temperature:.0f} °C")
    tolerance = float(DEFAULT_RULES["dark"]["temperature"])
    found = spans(wish.forecast, temperature, tolerance, wish.above)
    if not found:
        low, high = wish.forecast.range
        words = (
            f"not in this forecast: the sensor will be at {low + wish.above:.0f} to "
            f"{high + wish.above:.0f} °C"
        )
        return replace(item, when=words)
    longest = max(found, key=lambda s: s.end - s.start)
    first = longest if item.seconds > 60 * (found[0].end - found[0].start) else found[0]
    minutes = first.end - first.start
    each = (item.info.exposure or 0.0) + wish.overhead
    room = int(60 * minutes / each)
    words = first.text
    if room < item.shoot:
        words += f" (time for {room})"
    else:
        words += f" (done by {clock(first.start + item.seconds / 60)} if begun at once)"
    return replace(item, when=words, start=first.start)


def _order(item: Item, wish: Wish) -> tuple[object, ...]:
    """What is enough goes last; then by time; then flats first, and warm darks before cold."""
    warm = item.info.temperature
    return (
        item.shoot == 0,
        item.start if wish.forecast else 0.0,
        _TURNS[item.kind],
        -(warm if warm is not None else -math.inf),
        item.info.iso or 0,
        item.info.exposure or 0.0,
    )
