"""Exposure advice for lights as they were taken: from their sky and the camera's numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise

import numpy as np

from coldframe.camera.exposure import (
    added_by_reading,
    exposure_for,
    further_frames,
    per_hour,
    propagate,
    worth,
)
from coldframe.camera.file import CameraFile, Setting
from coldframe.camera.known import setting_of
from coldframe.camera.light import Offset, Sky, offset_of, sky_of
from coldframe.camera.other_iso import estimate, what_is_known
from coldframe.camera.transfer import QUANTISATION, Value
from coldframe.camera.window import Reader, Window
from coldframe.cautions import FOR_FLATS
from coldframe.errors import UsageError
from coldframe.facts import describe
from coldframe.frame import FrameInfo, Kind
from coldframe.grouping import group

_LONGEST_PAUSE = 600.0  # s: longer gaps between lights are breaks, not overhead


@dataclass(frozen=True, slots=True)
class Wish:
    """What the photographer asks.

    share : how much read noise may add to the background's noise, as a fraction. depth : gain in
    magnitudes. object : brightness of the object as a fraction of the sky's. overhead : s without
    light after each frame; None: as the lights' times tell.
    """

    share: float = 0.05
    depth: float = 0.5
    object: float = 0.1
    overhead: float | None = None


@dataclass(frozen=True, slots=True)
class Colour:
    """One colour's sky. background : sky and dark current, e-/s/px, with its spread over the
    lights. added : fraction that reading adds to the noise at the lights' exposure. exposure : s,
    the advice. level : ADU above the offset at the lights' exposure."""

    name: str
    background: Value
    level: float
    added: Value
    exposure: Value


@dataclass(frozen=True, slots=True)
class Choice:
    """One sub-exposure, in the colour that needs the longest. snr : per pixel after an hour for
    the object asked about. efficiency : of what an hour without reading and pauses would give."""

    exposure: float
    added: Value
    snr: Value
    efficiency: float
    further: Value  # lights for the target depth
    hours: Value  # and their time with pauses
    sky_share: float | None  # sky level as a fraction of the range up to white


@dataclass(frozen=True, slots=True)
class Advice:
    """Advice for lights of one setting, exposure and filter. read_noise : e-, with rounding."""

    label: str
    lights: int
    exposure: float
    gain: Value
    read_noise: Value
    dark: float | None
    offset: Offset
    overhead: float
    overhead_from: str
    colours: tuple[Colour, ...]
    choices: tuple[Choice, ...]
    advised: Choice
    notes: tuple[str, ...] = ()

    @property
    def slowest(self) -> Colour:
        """The colour that needs the longest exposure."""
        return max(self.colours, key=lambda c: c.exposure.value)


def advise(
    frames: Sequence[FrameInfo], cameras: Sequence[CameraFile], read: Reader, wish: Wish
) -> list[Advice]:
    """Advice for every group of lights.

    Parameters
    ----------
    frames : lights, and bias frames if there are any; their gain and read noise count where no
        camera file knows the camera.
    read : gives a frame's pixels.

    Raises
    ------
    UsageError
        There is no light, or nothing tells its gain or read noise.
    """
    lights = [f for f in frames if f.kind is Kind.LIGHT and (f.exposure or 0) > 0]
    if not lights:
        raise UsageError("there is no light with a known exposure; exposure advice needs one")
    per = ["iso", "gain_setting", "offset", "filter", "exposure"]
    out = []
    for one in group(lights, per):
        members = [lights[i] for i in one.members]
        biases = [f for f in frames if f.kind is Kind.BIAS and _same_setting(f, one.info)]
        out.append(_advise(members, one.info, biases, cameras, Window(read, None), wish))
    return out


def _same_setting(a: FrameInfo, b: FrameInfo) -> bool:
    names = ("camera", "iso", "gain_setting", "offset", "binning")
    return all(getattr(a, n) == getattr(b, n) for n in names)


def camera_numbers(info: FrameInfo, cameras: Sequence[CameraFile]) -> tuple[Value, Value] | None:
    """Gain (e-/ADU) and read noise without rounding (ADU) of a frame's setting, or None.

    A camera file comes first, since it knows the uncertainties; else what the frame says.
    """
    known = setting_of(info, cameras)
    setting: Setting | None = known[1] if known else None
    if setting and setting.gain and setting.read_noise_adu:
        return (
            Value(setting.gain, setting.gain_error or 0.0),
            Value(setting.read_noise_adu, setting.read_noise_adu_error or 0.0),
        )
    gain = info.gain or (setting.gain if setting else None)
    noise = info.read_noise or (setting.read_noise if setting else None)
    if gain and noise:
        return Value(gain, 0.0), Value(noise / gain, 0.0)
    return None


def _advise(
    lights: Sequence[FrameInfo],
    info: FrameInfo,
    biases: Sequence[FrameInfo],
    cameras: Sequence[CameraFile],
    window: Window,
    wish: Wish,
) -> Advice:
    label = describe(info, ("filter", "exposure", "iso", "gain_setting")) or "lights"
    numbers, estimated = camera_numbers(info, cameras), None
    if numbers is None:
        estimated = estimate(info, biases, cameras, window)
        if estimated is None:
            there = what_is_known(info, cameras)
            raise UsageError(
                f"gain and read noise of {info.camera or 'the camera'} are not known for {label}"
                f"{there and f' ({there})'}: "
                "measure it at this setting with 'coldframe camera measure' and name the file with "
                "--camera, or give gain and read_noise in notes.yaml"
            )
        numbers = estimated.gain, estimated.read_noise
    gain, noise_adu = numbers
    known = setting_of(info, cameras)
    setting = known[1] if known else None
    offset = offset_of(lights[0], biases, setting.black if setting else None, window)
    skies = [sky for light in lights if (sky := sky_of(light, offset, window)) is not None]
    if not skies:
        reasons = "; ".join(f"{name}: {why}" for name, why in window.set_aside)
        raise UsageError(f"none of the lights ({label}) can be read: {reasons}")
    exposure = float(info.exposure or lights[0].exposure or 1.0)
    rounding = math.sqrt(noise_adu.value**2 + QUANTISATION)
    read_adu = Value(rounding, noise_adu.error * noise_adu.value / rounding)
    overhead, told = _overhead(lights, wish)
    colours = tuple(
        _colour(name, skies, offset, exposure, gain, read_adu, wish)
        for name in skies[0].level
        if np.median([s.level[name] for s in skies]) > 0
    )
    if not colours:
        raise UsageError(
            f"the sky of the lights ({label}) is not above the offset ({offset.source}); "
            "check the bias frames' setting, or whether these are lights at all"
        )
    slow = max(colours, key=lambda c: c.exposure.value)
    white = info.white or (setting.white if setting else None)
    context = _Context(
        slow, skies, gain, read_adu, overhead, white, float(np.mean(offset.level)), wish
    )
    best = context.choice(slow.exposure.value)
    ladder = sorted({round_exposure(slow.exposure.value * f) for f in (0.25, 0.5, 1, 2, 4)})
    choices = tuple(context.choice(t) for t in sorted({*ladder, exposure}))
    dark = setting.dark_rate(info.temperature) if setting else None
    return Advice(
        label=label,
        lights=len(skies),
        exposure=exposure,
        gain=gain,
        read_noise=propagate(lambda g, r: g * r, gain, read_adu),
        dark=dark,
        offset=offset,
        overhead=overhead,
        overhead_from=told,
        colours=colours,
        choices=choices,
        advised=best,
        notes=(
            *((estimated.note,) if estimated else ()),
            *_notes(window, len(lights), dark, slow, best),
        ),
    )


def _notes(
    window: Window, lights: int, dark: float | None, slow: Colour, best: Choice
) -> list[str]:
    notes = [f"{name} is left out: {why}" for name, why in window.set_aside]
    if lights == 1:
        notes.append("from a single light: how much the sky changes is not in the uncertainty")
    if dark is not None and dark > 0.5 * slow.background.value:
        notes.append("dark current makes up most of the background: a colder sensor helps most")
    if best.sky_share is not None and best.sky_share > 0.5:
        notes.append(
            f"the advised exposure lifts the sky to {best.sky_share:.0%} of the range; "
            "a lower ISO or gain leaves more room for stars"
        )
    return notes


def _overhead(lights: Sequence[FrameInfo], wish: Wish) -> tuple[float, str]:
    """Seconds between lights, and what told it."""
    if wish.overhead is not None:
        return wish.overhead, "as given"
    timed = sorted((f.start, f.exposure) for f in lights if f.start and f.exposure)
    gaps = [(b[0] - a[0]).total_seconds() - a[1] for a, b in pairwise(timed)]
    gaps = [g for g in gaps if 0 <= g <= _LONGEST_PAUSE]
    if len(gaps) > 1:
        return float(np.median(gaps)), "as the lights' times tell"
    return 0.0, "too few lights to tell; set --pause"


def _colour(
    name: str,
    skies: Sequence[Sky],
    offset: Offset,
    exposure: float,
    gain: Value,
    read_adu: Value,
    wish: Wish,
) -> Colour:
    levels = [s.level[name] for s in skies]
    level = float(np.median(levels))
    # What the sky does in the night is part of the uncertainty of advice for another one.
    spread = _scatter(levels)
    sky = Value(level / exposure, math.hypot(spread, offset.error) / exposure)
    return Colour(
        name=name,
        background=propagate(lambda g, s: g * s, gain, sky),
        level=level,
        # In ADU: gain times sky over (gain times noise)^2 leaves gain but once.
        added=propagate(
            lambda g, r, s: added_by_reading(g * s, g * r, exposure), gain, read_adu, sky
        ),
        exposure=propagate(
            lambda g, r, s: exposure_for(g * s, g * r, wish.share), gain, read_adu, sky
        ),
    )


def _scatter(levels: Sequence[float]) -> float:
    """Standard deviation; from five values on the robust one, so that one cloud does not make it."""
    if len(levels) < 5:
        return float(np.std(levels, ddof=1)) if len(levels) > 1 else 0.0
    return float(1.4826 * np.median(np.abs(np.array(levels) - np.median(levels))))


@dataclass(frozen=True, slots=True)
class _Context:
    """What all choices of exposure share."""

    colour: Colour
    skies: Sequence[Sky]
    gain: Value
    read_adu: Value
    overhead: float
    white: float | None
    black: float
    wish: Wish

    def choice(self, exposure: float) -> Choice:
        t, o, wish = exposure, self.overhead, self.wish
        back = self.colour.background
        read = propagate(lambda g, r: g * r, self.gain, self.read_adu)
        signal = wish.object * back.value
        ideal = per_hour(signal, back.value, 0.0, 1.0, 0.0)
        snr = propagate(lambda b, r: per_hour(signal, b, r, t, o), back, read)
        further = self._further(t, read.value)
        hours = (t + o) / 3600
        share = None
        if self.white is not None:
            share = back.value / self.gain.value * t / (self.white - self.black)
        return Choice(
            exposure=t,
            added=propagate(lambda b, r: added_by_reading(b, r, t), back, read),
            snr=snr,
            efficiency=snr.value / ideal,
            further=further,
            hours=Value(further.value * hours, further.error * hours),
            sky_share=share,
        )

    def _further(self, exposure: float, read: float) -> Value:
        name, gain = self.colour.name, self.gain.value
        rates = [
            (max(s.level[name], 0.01 * self.colour.level) * gain / (s.info.exposure or 1.0))
            for s in self.skies
        ]
        worths = [
            worth(b, read, s.info.exposure or 1.0) for b, s in zip(rates, self.skies, strict=True)
        ]
        return propagate(
            lambda b: further_frames(worths, worth(b, read, exposure), self.wish.depth),
            self.colour.background,
        )


def round_exposure(seconds: float) -> float:
    """To two significant digits, as a person would set it."""
    if seconds <= 0:
        return 0.0
    places = 1 - math.floor(math.log10(seconds))
    return round(seconds, places)


def as_facts(advice: Advice, wish: Wish) -> Mapping[str, object]:
    """Advice, JSON-ready."""
    best = advice.advised
    return {
        "lights": advice.label,
        "count": advice.lights,
        "exposure": advice.exposure,
        "share": wish.share,
        "advised_exposure": best.exposure,
        "advised_exposure_error": advice.slowest.exposure.error,
        "colour": advice.slowest.name,
        "gain": asdict(advice.gain),
        "read_noise": asdict(advice.read_noise),
        "dark_current": advice.dark,
        "overhead": advice.overhead,
        "offset_from": advice.offset.source,
        "colours": [asdict(c) for c in advice.colours],
        "object": wish.object,
        "depth": wish.depth,
        "choices": [asdict(c) for c in advice.choices],
        "advised": asdict(best),
        "notes": list(advice.notes),
        "cautions": [str(caution) for caution in FOR_FLATS],
    }
