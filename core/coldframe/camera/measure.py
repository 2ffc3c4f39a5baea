"""From a folder of bias, dark and flat frames to a camera file, by EMVA Standard 1288's method."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from coldframe.camera.dark_series import Darks, dark_series
from coldframe.camera.file import CameraFile, Setting
from coldframe.camera.flat_series import Flats, flat_series
from coldframe.camera.needs import Need, needs
from coldframe.camera.sets import COLOURS, FrameSet, positions
from coldframe.camera.transfer import (
    Linearity,
    Point,
    Saturation,
    Value,
    fit_gain,
    linearity,
    read_noise,
    saturation,
    usable,
    variance_error,
)
from coldframe.camera.unevenness import Spread, root, spatial_variance
from coldframe.camera.window import Reader, Window
from coldframe.errors import UsageError
from coldframe.facts import describe
from coldframe.frame import FrameInfo, Kind
from coldframe.grouping import group

Progress = Callable[[str], None]
PER = ("iso", "gain_setting", "offset")


@dataclass(frozen=True, slots=True)
class Options:
    """area : share of each side of the frame that is measured, around its middle; None: all of
    it up to 2 megapixels, else half. hot_sigmas : see `darkness.hot_pixels`."""

    area: float | None = None
    hot_sigmas: float = 10.0


@dataclass(frozen=True, slots=True)
class SettingResult:
    """One setting with what its numbers rest on.

    points : of the photon-transfer plot; fitted : those that gave the gain. limits : saturation by
    colour. dark_variance : temporal, ADU^2. notes : cautions in plain words. frames : by kind.
    """

    setting: Setting
    label: str
    points: tuple[Point, ...] = ()
    fitted: tuple[Point, ...] = ()
    limits: Mapping[str, Saturation] = field(default_factory=dict)
    dark_variance: float | None = None
    needs: tuple[Need, ...] = ()
    notes: tuple[str, ...] = ()
    frames: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Measured:
    """A camera file and how it came about."""

    camera: CameraFile
    settings: tuple[SettingResult, ...]
    set_aside: tuple[tuple[str, str], ...] = ()


def measure_camera(
    frames: Sequence[FrameInfo],
    read: Reader,
    options: Options = Options(),
    progress: Progress = lambda _: None,
) -> Measured:
    """Measure a camera.

    Parameters
    ----------
    frames : bias, dark, flat and dark-flat frames of one camera; lights are passed over.
    read : gives a frame's pixels. progress : is told what is being read.

    Raises
    ------
    UsageError
        The frames are of no or of several cameras, or there is nothing to measure.
    """
    frames = [f for f in frames if f.kind is not Kind.LIGHT]
    if not frames:
        raise UsageError("there are no bias, dark or flat frames; a camera is measured by those")
    sensors = group(frames, ["camera"])
    if len(sensors) > 1:
        names = "; ".join(f"{g.label} ({len(g.members)} frames)" for g in sensors)
        raise UsageError(f"frames of more than one camera or size: {names}; measure one at a time")
    camera = sensors[0].info
    if camera.camera is None:
        raise UsageError(
            "no frame says which camera it is from; add camera: NAME to the folder's notes.yaml"
        )
    # Colour and levels of raw files may be known only once one of them is decoded.
    window = Window(read, options.area)
    results = []
    for one in group(frames, PER):
        members = [frames[i] for i in one.members]
        results.append(_measure_setting(members, one.info, window, options, progress))
    if all(not any(_numbers(r.setting)) for r in results):
        raise UsageError(
            "nothing could be measured: two or more equal frames are needed, such as two bias frames"
        )
    first = window.first
    file = CameraFile(
        camera=camera.camera,
        cfa=camera.cfa or (first.cfa if first else None),
        shape=first.shape if first else camera.shape,
        frames=len(frames) - len(window.set_aside),
        settings=tuple(r.setting for r in results if any(_numbers(r.setting))),
    )
    return Measured(file, tuple(results), tuple(window.set_aside))


def _numbers(setting: Setting) -> Iterator[bool]:
    """Whether each kind of result is there."""
    yield setting.read_noise_adu is not None
    yield setting.gain is not None
    yield bool(setting.dark)
    yield setting.prnu is not None


def _of(frames: Iterable[FrameInfo], *kinds: Kind) -> list[FrameInfo]:
    return [f for f in frames if f.kind in kinds]


def _measure_setting(
    frames: Sequence[FrameInfo], info: FrameInfo, window: Window, options: Options, say: Progress
) -> SettingResult:
    label = describe(info, PER)
    notes: list[str] = []
    bias = _bias(_of(frames, Kind.BIAS), window, say)
    darks = dark_series(
        _of(frames, Kind.DARK, Kind.DARK_FLAT), bias, window, options.hot_sigmas, say, notes
    )
    flats = flat_series(_of(frames, Kind.FLAT), bias, darks, window, say, notes)
    setting = Setting(
        iso=info.iso, gain_setting=info.gain_setting, offset=info.offset, binning=info.binning
    )
    gain, limits, fitted = _gain(flats, notes)
    variance = _dark_variance(bias, darks, notes)
    if gain is not None:
        setting = replace(setting, gain=gain.value, gain_error=gain.error)
    if variance is not None:
        setting = _with_read_noise(setting, read_noise(variance), gain)
    if bias is not None:
        setting = replace(setting, black=bias.means())
    setting = _with_saturation(setting, flats, limits, gain)
    straight = _linearity(flats, limits)
    if straight is not None:
        setting = replace(setting, linearity=(straight.lowest, straight.highest))
    setting = _with_unevenness(setting, bias, darks, flats, gain)
    setting = _with_dark(setting, darks, gain, notes)
    counts = {kind.value: len(_of(frames, kind)) for kind in Kind if _of(frames, kind)}
    levels = len({(p.exposure, p.light) for p in fitted})
    return SettingResult(
        setting=setting,
        label=label,
        points=tuple(flats.points),
        fitted=tuple(fitted),
        limits=limits,
        dark_variance=variance.value if variance else None,
        needs=tuple(needs(setting, counts, levels)),
        notes=tuple(dict.fromkeys(notes)),
        frames=counts,
    )


def _bias(frames: Sequence[FrameInfo], window: Window, say: Progress) -> FrameSet | None:
    if len(frames) < 2:
        return None
    say(f"{len(frames)} bias frames")
    return window.gather(frames, None)


def _gain(
    flats: Flats, notes: list[str]
) -> tuple[Value | None, dict[str, Saturation], list[Point]]:
    colours = {p.colour for p in flats.points}
    limits = {c: saturation([p for p in flats.points if p.colour == c]) for c in colours}
    fitted = usable(flats.points, limits)
    gain = fit_gain(fitted)
    if gain is not None:
        for colour in sorted(colours):
            own = fit_gain([p for p in fitted if p.colour == colour])
            if own and abs(own.value - gain.value) > max(5 * own.error, 0.03 * gain.value):
                notes.append(
                    f"the gain of {colour} alone is {own.value:.4g} e-/ADU, not {gain.value:.4g}: "
                    "the camera may scale its colours, or the light changed between frames"
                )
        levels = len({(p.exposure, p.light) for p in fitted})
        if levels < 3:
            notes.append(
                f"the gain rests on flats of {levels} {'level' if levels == 1 else 'levels'}; the "
                "standard asks for many, from darkness to saturation"
            )
    return gain, limits, fitted


def bias_variance(frames: FrameSet) -> Value:
    """Temporal variance of bias frames, with that of rounding, ADU^2."""
    value = float(np.mean(frames.variances()))
    return Value(value, variance_error(value, frames.temporal.size * frames.pairs))


def _dark_variance(bias: FrameSet | None, darks: Darks, notes: list[str]) -> Value | None:
    """Temporal variance without light and without exposure, ADU^2."""
    if bias is not None:
        return bias_variance(bias)
    if darks.zero_variance is not None:
        notes.append("read noise: without bias frames, from darks carried back to zero exposure")
    return darks.zero_variance


def _with_read_noise(setting: Setting, noise: Value, gain: Value | None) -> Setting:
    setting = replace(setting, read_noise_adu=noise.value, read_noise_adu_error=noise.error)
    if gain is None:
        return setting
    electrons = noise.value * gain.value
    relative = math.hypot(noise.error / noise.value, gain.error / gain.value)
    return replace(setting, read_noise=electrons, read_noise_error=electrons * relative)


def _with_saturation(
    setting: Setting, flats: Flats, limits: Mapping[str, Saturation], gain: Value | None
) -> Setting:
    if flats.white is not None:
        setting = replace(setting, white=flats.white)
    if gain is None or not limits:
        return setting
    top = max(limit.signal for limit in limits.values())
    full = (top if flats.full is None else flats.full) * gain.value
    return replace(
        setting,
        full_well=full,
        full_well_error=full * gain.error / gain.value,
        full_well_reached=flats.full is not None,
    )


def _linearity(flats: Flats, limits: Mapping[str, Saturation]) -> Linearity | None:
    """The worst of all colours and lights."""
    found = []
    for colour, light in sorted({(p.colour, p.light) for p in flats.points}):
        own = [p for p in flats.points if (p.colour, p.light) == (colour, light)]
        one = linearity(
            np.array([p.exposure for p in own]),
            np.array([p.signal for p in own]),
            limits[colour].signal,
        )
        if one is not None:
            found.append(one)
    if not found:
        return None
    return Linearity(
        min(f.lowest for f in found), max(f.highest for f in found), sum(f.points for f in found)
    )


def _with_unevenness(
    setting: Setting, bias: FrameSet | None, darks: Darks, flats: Flats, gain: Value | None
) -> Setting:
    dark = bias if bias is not None else darks.shortest
    if dark is not None:
        dsnu = by_colour(
            dark.colours(), [root(v) for v in (s.total for s in spreads(dark))], square=True
        )
        setting = replace(setting, dsnu_adu=dsnu)
        if gain is not None:
            setting = replace(setting, dsnu={c: v * gain.value for c, v in dsnu.items()})
    if flats.prnu:
        setting = replace(setting, prnu=dict(flats.prnu))
    return setting


def spreads(frames: FrameSet) -> list[Spread]:
    """Spatial variance of each CFA position of a set."""
    parts = positions(frames.mean, frames.cfa)
    return [
        spatial_variance(part, variance, frames.frames)
        for part, variance in zip(parts, frames.variances(), strict=True)
    ]


def by_colour(
    colours: Sequence[str], values: Sequence[float], *, square: bool = False
) -> dict[str, float]:
    """One value a colour: the mean of its positions, or the root of their mean square."""
    out = {}
    for colour in (*COLOURS, "mono"):
        own = [v for c, v in zip(colours, values, strict=True) if c == colour]
        if own:
            mean = sum(v * v for v in own) / len(own) if square else sum(own) / len(own)
            out[colour] = math.sqrt(mean) if square else mean
    return out


def _with_dark(setting: Setting, darks: Darks, gain: Value | None, notes: list[str]) -> Setting:
    rates = darks.rates(gain.value if gain else None, gain.error if gain else 0.0, notes)
    setting = replace(setting, dark=tuple(rates))
    grown = darks.doubling(rates)
    if grown is not None:
        setting = replace(setting, doubling=grown.value, doubling_error=grown.error)
    return setting
