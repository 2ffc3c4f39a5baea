"""The shot list: which calibration frames the lights still need, how many, and when."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from coldframe.camera.file import CameraFile
from coldframe.camera.window import Reader
from coldframe.dithering import positions
from coldframe.errors import UsageError
from coldframe.facts import describe, exposure_text
from coldframe.frame import FrameInfo, Kind
from coldframe.grouping import group
from coldframe.matching import DEFAULT_RULES
from coldframe.planned import frame_id
from coldframe.report.numbers import count
from coldframe.shots.items import Dithered, Item, Plan, ShotList, Wish, name_of
from coldframe.shots.noise import added_noise, flat_ratio, frames_for, offset_ratio, together
from coldframe.shots.stock import FrameNoise, LightNoise, Noises, Stocked, find, stock
from coldframe.shots.when import order, placed

LONG_FLAT = 2.0
"""s: from here on flats want dark flats, below bias does (common practice, no source)."""

USUAL = 20
"""Frames of a kind where noise is not known (common practice, no source)."""


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
    items = [placed(item, wish) for item in planner.merged()]
    items.sort(key=lambda i: order(i, wish))
    totals = tuple((label, together(parts)) for label, parts in planner.parts.items() if parts)
    notes = [f"{label} is left out: {why}" for label, why in planner.noises.set_aside]
    return ShotList(tuple(items), totals, tuple(planner.dithering.items()), tuple(notes))


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


@dataclass(frozen=True, slots=True)
class _Served:
    """What is asked of frames by the lights of one stack. label : in words."""

    label: str
    count: int
    noise: LightNoise
    positions: int


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
        self.dithering: dict[str, Dithered] = {}

    def stack(self, stack: _Stack) -> None:
        """Add what the lights of one stack need."""
        names = ("target", "filter", "exposure", "iso", "gain_setting")
        label = f"{count(stack.count, 'light')}: {describe(stack.info, names)}"
        self.dithering[label] = self._dithered(stack)
        lights = _Served(
            label,
            stack.count,
            self.noises.light(stack.members, stack.sky),
            min(self.dithering[label].positions, stack.count),
        )
        for like, served in stack.darks:
            # What the lights share is served as they are; it has no file and no filter.
            wanted = replace(like, kind=Kind.LIGHT, path="", filter=None, target=None)
            self._dark(wanted, served, lights)
        self._flat(replace(stack.info, kind=Kind.LIGHT, path=""), lights)

    def _dithered(self, stack: _Stack) -> Dithered:
        """Dither positions as given, else as counted in a run, else one."""
        wish = self.wish
        if wish.positions is not None:
            return Dithered(wish.positions, "as given")
        known = [wish.shifts[i] for i in map(frame_id, stack.members) if i in wish.shifts]
        if not known:
            return Dithered(1, "assumed: no run of these lights tells how far they were moved")
        of = "" if len(known) == stack.count else f"{len(known)} of "
        return Dithered(
            max(1, round(positions(known))),
            f"counted from the shifts of {of}{count(stack.count, 'light')} in {wish.run}",
        )

    def _dark(self, info: FrameInfo, served: int, lights: _Served) -> None:
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
        if noise.variance is not None and lights.noise.variance is not None:
            # A master that serves n of N lights is in the stack with the weight n / N.
            ratio = served / lights.count * offset_ratio(noise.variance, lights.noise.variance)
        self._add(Kind.DARK, info, here, served, ratio, notes, lights, noise, info.exposure)

    def _flat(self, info: FrameInfo, lights: _Served) -> None:
        here, chosen = find(info, Kind.FLAT, self.have)
        notes: list[str] = []
        if here is None and any(s.kind is Kind.FLAT for s in self.have):
            notes.append(chosen.reason)
        as_shot = here.info if here is not None else replace(info, exposure=None, temperature=None)
        noise = self.noises.frame(Kind.FLAT, as_shot, here)
        ratio = self._share_of_flat(noise.variance, noise.signal, lights.noise)
        self._add(
            Kind.FLAT, as_shot, here, lights.count, ratio, notes, lights, noise, as_shot.exposure
        )
        self._flat_offset(as_shot, lights, noise)

    def _flat_offset(self, flat: FrameInfo, lights: _Served, flat_noise: FrameNoise) -> None:
        """Dark flats for long flats, bias for short ones; whichever exists serves."""
        dark_flats, _ = find(flat, Kind.DARK_FLAT, self.have)
        long = (flat.exposure or 0.0) >= LONG_FLAT
        kind = Kind.DARK_FLAT if dark_flats is not None or long else Kind.BIAS
        here = dark_flats if kind is Kind.DARK_FLAT else find(flat, Kind.BIAS, self.have)[0]
        noise = self.noises.frame(kind, flat, here)
        ratio = self._share_of_flat(noise.variance, flat_noise.signal, lights.noise)
        exposure = flat.exposure if kind is Kind.DARK_FLAT else 0.0
        wanted = flat if kind is Kind.DARK_FLAT else replace(flat, exposure=None)
        wanted = replace(wanted, filter=None, optics=None, lens=None, temperature=None)
        self._add(kind, wanted, here, lights.count, ratio, [], lights, noise, exposure)

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
        served: int,
        ratio: float | None,
        notes: list[str],
        lights: _Served,
        noise: FrameNoise,
        exposure: float | None,
    ) -> None:
        wish = self.wish
        places = min(lights.positions, served)
        have = here.frames if here is not None else 0
        if ratio is None:
            needed = max(USUAL, served) if kind is Kind.DARK else USUAL
        else:
            needed = frames_for(ratio, served, wish.share, places)
        wanted = max(needed, wish.least)
        words = _reason(kind, wanted, needed, wish, ratio, lights.noise, noise)
        if ratio is not None and needed > 100 and places < served:
            notes.append(
                "dither: move the field by some ten pixels between lights. With many dither "
                "positions (--dither-positions) far fewer do"
            )
        now = then = None
        if ratio is not None:
            now = added_noise(ratio, served, have, places)
            then = added_noise(ratio, served, max(wanted, have), places)
        if then is not None:
            self.parts.setdefault(lights.label, []).append(then)
        seconds = max(0, wanted - have) * ((exposure or 0.0) + wish.overhead)
        self.items.append(
            Item(
                kind=kind,
                info=replace(info, kind=kind),
                serves=lights.label,
                lights=served,
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
