"""Darks of one setting: dark current by temperature from means and from variances; hot pixels."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from coldframe.camera.darkness import doubling, hot_pixels, slope
from coldframe.camera.file import DarkRate
from coldframe.camera.sets import FrameSet
from coldframe.camera.transfer import Value, variance_error
from coldframe.camera.window import Window
from coldframe.facts import exposure_text
from coldframe.frame import Array, FrameInfo
from coldframe.grouping import group

_APART = 3.0  # °C between the extremes before a doubling temperature means something
_READING = 0.1  # °C: thermometers are noted to a digit after the point
_LIKE = 0.05  # exposures that differ by less than this fraction count as equal


@dataclass(frozen=True, slots=True)
class _Level:
    """Mean and temporal variance of one set of darks, hot pixels left out; ADU, ADU^2."""

    exposure: float
    mean: Value
    variance: Value


@dataclass(frozen=True, slots=True)
class _Series:
    """All exposures at one temperature, the bias among them."""

    temperature: float | None
    spread: float  # standard deviation of the frames' temperatures, °C
    levels: tuple[_Level, ...]
    hot_share: float
    longest: float


@dataclass(frozen=True, slots=True)
class Darks:
    """The darks of one setting.

    offsets : mean level by CFA position of each exposure, ADU, with its temporal variances.
    shortest : the set of the shortest exposure.
    """

    series: tuple[_Series, ...] = ()
    offsets: tuple[tuple[float, tuple[float, ...], tuple[float, ...], int], ...] = ()
    shortest: FrameSet | None = field(default=None)

    @property
    def zero_variance(self) -> Value | None:
        """Temporal variance carried back to zero exposure, from two exposures or more, ADU^2."""
        for one in self.series:
            if len({level.exposure for level in one.levels}) < 2:
                continue
            rate = slope(
                [level.exposure for level in one.levels], [lv.variance for lv in one.levels]
            )
            first = min(one.levels, key=lambda level: level.exposure)
            value = first.variance.value - rate.value * first.exposure
            return Value(value, math.hypot(first.variance.error, rate.error * first.exposure))
        return None

    def offset_for(
        self, exposure: float
    ) -> tuple[tuple[float, ...], tuple[float, ...], int] | None:
        """Level, temporal variance by CFA position and samples of darks as long as a flat."""
        for seconds, level, variance, samples in self.offsets:
            if abs(seconds - exposure) <= _LIKE * max(exposure, 1e-3):
                return level, variance, samples
        return None

    def rates(self, gain: float | None, gain_error: float, notes: list[str]) -> list[DarkRate]:
        """Dark current at each temperature, from the growth of the mean with exposure.

        Where the variance grows and the mean does not, the camera takes its dark level off by
        itself, and the variance tells the dark current (EMVA 1288).
        """
        out = []
        for one in self.series:
            if len({level.exposure for level in one.levels}) < 2:
                continue
            times = [level.exposure for level in one.levels]
            rate = slope(times, [level.mean for level in one.levels])
            if gain is not None:
                noise = slope(times, [level.variance for level in one.levels])
                other = Value(noise.value * gain, noise.error * gain)
                if other.value > 3 * other.error and rate.value < 0.5 * other.value:
                    notes.append(
                        "the camera seems to take the dark level off by itself: the mean of darks "
                        "grows less than their noise; dark current is from the noise"
                    )
                    rate = other
            electrons: dict[str, float] = {}
            if gain is not None:
                value = rate.value * gain
                electrons = {
                    "rate": value,
                    "rate_error": math.hypot(rate.error * gain, rate.value * gain_error),
                }
            out.append(
                DarkRate(
                    temperature=one.temperature,
                    rate_adu=rate.value,
                    rate_adu_error=rate.error,
                    hot_share=one.hot_share,
                    exposure=one.longest,
                    **electrons,
                )
            )
        return out

    def doubling(self, rates: Sequence[DarkRate]) -> Value | None:
        """Doubling temperature in °C; None when the temperatures lie within 3 °C."""
        placed = [(r.temperature, r) for r in rates if r.temperature is not None]
        if not placed or max(t for t, _ in placed) - min(t for t, _ in placed) < _APART:
            return None
        temperatures = [t for t, _ in placed]
        rates_alone = [Value(r.rate_adu, r.rate_adu_error) for _, r in placed]
        first = doubling(temperatures, rates_alone)
        if first is None:
            return None
        # A temperature that is off by so much makes the rate look off by this share of itself.
        spread = {s.temperature: s.spread for s in self.series}
        return doubling(
            temperatures,
            [
                Value(r.value, math.hypot(r.error, r.value * math.log(2) * spread[t] / first.value))
                for t, r in zip(temperatures, rates_alone, strict=True)
            ],
        )


def dark_series(
    frames: Sequence[FrameInfo],
    bias: FrameSet | None,
    window: Window,
    hot_sigmas: float,
    say: Callable[[str], None],
    notes: list[str],
) -> Darks:
    """Measure the darks (and dark flats) of one setting."""
    usable = [f for f in frames if f.exposure is not None]
    found: list[_Series] = []
    offsets = []
    shortest: tuple[float, FrameSet] | None = None
    for at in group(usable, ["temperature"]):
        members = [usable[i] for i in at.members]
        levels: list[_Level] = []
        hot: Array | None = None
        longest = 0.0
        sets = group(members, ["exposure"])
        # The longest darks show the hot pixels best; all the others leave out the same ones.
        for one in sorted(sets, key=lambda g: -(g.info.exposure or 0)):
            exposure = one.info.exposure or 0.0
            if len(one.members) < 2:
                notes.append(f"a single dark of {exposure_text(exposure)} tells nothing alone")
                continue
            say(f"{len(one.members)} darks of {exposure_text(exposure)}")
            darks = window.gather([members[i] for i in one.members], None)
            if darks is None:
                continue
            if hot is None:
                hot, longest = hot_pixels(darks.mean, darks.cfa, hot_sigmas), exposure
            levels.append(_level(darks, exposure, ~hot))
            samples = darks.pairs * darks.temporal.size // len(darks.colours())
            offsets.append((exposure, darks.means(), darks.variances(), samples))
            if shortest is None or exposure < shortest[0]:
                shortest = exposure, darks
        if hot is None:
            continue
        if bias is not None and bias.mean.shape == hot.shape:
            levels.append(_level(bias, 0.0, ~hot))
        found.append(
            _Series(
                at.info.temperature, _spread(members), tuple(levels), float(hot.mean()), longest
            )
        )
    return Darks(tuple(found), tuple(offsets), shortest[1] if shortest else None)


def _spread(frames: Sequence[FrameInfo]) -> float:
    """How well the temperature is known, °C: as the frames differ, and no better than they are
    noted (a digit after the point)."""
    known = [f.temperature for f in frames if f.temperature is not None]
    return max(float(np.std(known)) if len(known) > 1 else 0.0, _READING)


def _level(frames: FrameSet, exposure: float, good: Array) -> _Level:
    mean = float(np.mean(frames.means(good)))
    variance = float(np.mean(frames.variances(good)))
    pixels = int(good.sum())
    # Frames of a set differ in level by more than their pixels' noise; their scatter counts.
    scatter = float(np.std(frames.levels, ddof=1)) if frames.frames > 1 else 0.0
    error = max(scatter, math.sqrt(variance / pixels)) / math.sqrt(frames.frames)
    return _Level(
        exposure,
        Value(mean, error),
        Value(variance, variance_error(variance, pixels * frames.pairs)),
    )
