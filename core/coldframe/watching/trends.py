"""What a growing night's numbers say: clouds, focus that drifts, a sky that grows brighter."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from coldframe.cautions import SUNRISE
from coldframe.frame import Array

FEW = 5  # frames before anything is said
RECENT = 3  # frames whose median stands for now
CLOUDS = 0.6  # of the clear sky's stars
DIM = 0.7  # of the clear sky's starlight
WIDER = 1.15  # times the night's good FWHM
BRIGHTER = 1.15  # times the sky at the start of the window
FOCUS_WINDOW = 12  # frames
SKY_WINDOW = 8  # frames


@dataclass(frozen=True, slots=True)
class Light:
    """One light in numbers. None: not measured.

    stars : count. fwhm : px. sky : ADU/s above black. flux : of its stars over those of the first
    light of its setting. setting : filter, exposure and so on; only equals are compared.
    """

    label: str
    start: datetime | None = None
    stars: float | None = None
    fwhm: float | None = None
    sky: float | None = None
    flux: float | None = None
    setting: tuple[object, ...] = ()


def warnings(lights: Sequence[Light]) -> list[str]:
    """Plain words about the newest frames, compared with those before of the same setting.

    lights : in order of time. Thresholds are common practice, no source; trends are told from
    scatter by the confidence interval of the median slope (Sen 1968, JASA 63, 1379).
    """
    if not lights:
        return []
    alike = [light for light in lights if light.setting == lights[-1].setting]
    found = (_clouds(alike), _focus(alike), _sky(alike))
    return [text for text in found if text]


def clear_level(values: Sequence[float]) -> float:
    """What the clear sky gives: the upper quintile, which a few clouded frames do not move."""
    return float(np.percentile(values, 80))


def _clouds(lights: Sequence[Light]) -> str:
    stars = _known([light.stars for light in lights])
    flux = _known([light.flux for light in lights])
    if len(stars) >= FEW:
        clear, now = clear_level(stars), float(np.median(stars[-RECENT:]))
        # Counting alone scatters by the root of the count.
        if now < CLOUDS * clear and clear - now > 5 * math.sqrt(clear):
            return (
                f"clouds? the last {RECENT} frames show {now:.0f} stars, "
                f"{now / clear:.0%} of the {clear:.0f} of the clear sky"
            )
    if len(flux) >= FEW:
        clear, now = clear_level(flux), float(np.median(flux[-RECENT:]))
        if now < DIM * clear:
            return (
                f"thin clouds or dew? the stars of the last {RECENT} frames are dimmed to "
                f"{now / clear:.0%} of their light"
            )
    return ""


def _focus(lights: Sequence[Light]) -> str:
    fwhm = _known([light.fwhm for light in lights])
    if len(fwhm) < FEW:
        return ""
    good, now = float(np.percentile(fwhm, 20)), float(np.median(fwhm[-RECENT:]))
    if now < WIDER * good or _least_slope(fwhm[-FOCUS_WINDOW:]) <= 0:
        return ""
    return (
        f"focus? stars grow wider: {now:.1f} px now, {good:.1f} px at the night's best; the focus "
        "drifts or the seeing gets worse"
    )


def _sky(lights: Sequence[Light]) -> str:
    sky = [value for value in _known([light.sky for light in lights]) if value > 0]
    window = np.log(sky[-SKY_WINDOW:])
    if len(window) < FEW:
        return ""
    rise = float(np.median(window[-RECENT:]) - np.median(window[:RECENT]))
    if rise < math.log(BRIGHTER) or _least_slope(window) <= 0:
        return ""
    return (
        f"the sky grows brighter: by {math.expm1(rise):.0%} within {len(window)} frames; dawn, "
        f"the moon, or clouds lit from below; {SUNRISE}"
    )


def _known(values: Sequence[float | None]) -> list[float]:
    return [value for value in values if value is not None and math.isfinite(value)]


def _least_slope(values: Sequence[float] | Array) -> float:
    """Lower end of the 95 % confidence interval of the slope, a frame."""
    from scipy.stats import theilslopes

    return float(theilslopes(np.asarray(values, np.float64), alpha=0.95)[2])
