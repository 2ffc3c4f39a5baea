"""Flats of one setting: points of the photon-transfer plot, PRNU, and where values stop."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from coldframe.camera.dark_series import Darks
from coldframe.camera.sets import COLOURS, FrameSet, gather, positions
from coldframe.camera.transfer import Point, saturation, variance_error
from coldframe.camera.unevenness import fine_variance, root
from coldframe.camera.window import Window, saturated
from coldframe.errors import StepError
from coldframe.facts import exposure_text
from coldframe.frame import Array, FrameInfo
from coldframe.grouping import group

_PILE = 0.005  # share of pixels at the very highest value: only a converter's end does that
_BRIGHT = 0.99  # quantile of the pixels that shows full ones in a flat that is not full all over
_SHORT = 5.0  # s: up to here the bias stands in for a dark of a flat's exposure


@dataclass(frozen=True, slots=True)
class Flats:
    """points : of the photon-transfer plot. prnu : % by colour. full : what a full pixel shows
    above the offset, ADU; white : the level from which a value says no more than "at least this",
    ADU. Both None when no flat is saturated."""

    points: tuple[Point, ...] = ()
    prnu: Mapping[str, float] = field(default_factory=dict)
    full: float | None = None
    white: float | None = None


@dataclass(frozen=True, slots=True)
class _Seen:
    """One set of flats: its points, its PRNU by colour; the value at which its pixels pile up, and
    its brightest pixels with their scatter, ADU; its mean offset, ADU."""

    points: tuple[Point, ...]
    prnu: Mapping[str, float]
    end: float | None
    bright: float
    scatter: float
    offset: float


def flat_series(
    frames: Sequence[FrameInfo],
    bias: FrameSet | None,
    darks: Darks,
    window: Window,
    say: Callable[[str], None],
    notes: list[str],
) -> Flats:
    """Measure the flats of one setting, exposure by exposure and filter by filter."""
    usable = [f for f in frames if f.exposure is not None]
    seen: list[_Seen] = []
    for one in group(usable, ["exposure", "filter"]):
        exposure = one.info.exposure or 0.0
        if len(one.members) < 2:
            notes.append(f"a single flat of {exposure_text(exposure)} tells nothing alone")
            continue
        like = darks.offset_for(exposure)
        if like is None and bias is not None:
            samples = bias.pairs * bias.temporal.size // len(bias.colours())
            like = bias.means(), bias.variances(), samples
            if exposure > _SHORT:
                notes.append(
                    f"flats of {exposure_text(exposure)} are set against the bias; dark flats of "
                    "the same exposure would leave out their dark current"
                )
        if like is None:
            notes.append(
                "flats cannot be used without bias frames, or dark flats of the same exposure"
            )
            continue
        say(f"{len(one.members)} flats of {exposure_text(exposure)}")
        found = _flat([usable[i] for i in one.members], one.info, like, window, bias)
        if found is not None:
            seen.append(found)
    return Flats(tuple(p for s in seen for p in s.points), _best_prnu(seen), *_stop(seen))


def _flat(
    frames: Sequence[FrameInfo],
    info: FrameInfo,
    dark: tuple[tuple[float, ...], tuple[float, ...], int],
    window: Window,
    bias: FrameSet | None,
) -> _Seen | None:
    offset, dark_variance, dark_samples = dark
    cfa = window.cfa(frames[0])
    clipped: list[list[float]] = []
    ends: list[float] = []

    def watched() -> Iterator[Array]:
        for data, flags in window.pixels(frames):
            over = saturated(flags)
            top = data.max()
            if np.mean(data == top) > _PILE:
                over = over | (data == top)
                ends.append(float(top))
            clipped.append([float(part.mean()) for part in positions(over, cfa)])
            yield data

    try:
        flats = gather(watched(), cfa, offset)
    except StepError:
        return None
    shares = np.mean(clipped, axis=0)
    points = []
    for place, colour in enumerate(flats.colours()):
        total = flats.variances()[place]
        samples = flats.pairs * flats.temporal.size / len(flats.colours())
        points.append(
            Point(
                exposure=info.exposure or 0.0,
                colour=colour,
                signal=flats.signal[place],
                variance=total - dark_variance[place],
                error=float(
                    np.hypot(
                        variance_error(total, samples),
                        variance_error(dark_variance[place], dark_samples),
                    )
                ),
                total=total,
                clipped=float(shares[place]),
                light=info.filter or "",
            )
        )
    return _Seen(
        points=tuple(points),
        prnu=_prnu(flats, offset, bias),
        end=max(ends, default=None),
        bright=float(np.quantile(flats.mean, _BRIGHT)),
        scatter=float(np.sqrt(np.mean(dark_variance))),
        offset=float(np.mean(offset)),
    )


def _prnu(flats: FrameSet, offset: tuple[float, ...], bias: FrameSet | None) -> dict[str, float]:
    """PRNU by colour, %: fine spatial variance with light less that without, over the signal."""
    out: dict[str, list[float]] = {}
    variances = flats.variances()
    parts = list(positions(flats.mean, flats.cfa))
    darks = list(positions(bias.mean, bias.cfa)) if bias is not None else None
    if min(parts[0].shape) <= 5:
        return {}
    for place, colour in enumerate(flats.colours()):
        signal = parts[place].mean() - offset[place]
        if signal <= 0:
            continue
        light = fine_variance(parts[place], variances[place], flats.frames)
        dark = 0.0
        if bias is not None and darks is not None and bias.mean.shape == flats.mean.shape:
            dark = fine_variance(darks[place], bias.variances()[place], bias.frames)
        out.setdefault(colour, []).append((light - dark) / signal**2)
    return {c: 100 * root(float(np.mean(out[c]))) for c in (*COLOURS, "mono") if c in out}


def _best_prnu(seen: Sequence[_Seen]) -> dict[str, float]:
    """Of the flats nearest to half of the brightest unsaturated level, as the standard has it."""
    clean = [p for s in seen for p in s.points if p.clipped < 1e-3]
    if not clean:
        return {}
    top = max(clean, key=lambda p: p.total).signal
    out: dict[str, float] = {}
    for colour in (*COLOURS, "mono"):
        own = [(p, s) for s in seen for p in s.points if p.colour == colour and p.clipped < 1e-3]
        own = [(p, s) for p, s in own if colour in s.prnu and p.signal <= top]
        if own:
            out[colour] = min(own, key=lambda ps: abs(ps[0].signal - top / 2))[1].prnu[colour]
    return out


def _stop(seen: Sequence[_Seen]) -> tuple[float | None, float | None]:
    """What a full pixel shows above the offset, and the white level.

    Where the converter stops, values pile up at its end. Where the pixels are full before that,
    the brightest flat's brightest pixels show it; the white level is four sigma of noise and
    rounding below. That holds for unevenly lit flats too, of which the middle fills first.
    """
    ends = [(s.end, s.end - s.offset) for s in seen if s.end is not None]
    if ends:
        white, full = min(ends)
        return full, white
    for colour in sorted({p.colour for s in seen for p in s.points}):
        own = [p for s in seen for p in s.points if p.colour == colour]
        if saturation(own).reached:
            top = max(seen, key=lambda s: s.bright)
            return top.bright - top.offset, top.bright - 4 * top.scatter - 1
    return None, None
