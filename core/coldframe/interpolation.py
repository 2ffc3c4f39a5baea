"""A master dark between two temperatures, by the growth of dark current with temperature.

Dark current grows exponentially over a few tens of degrees, I(T) = I(T1) 2^((T - T1) / D)
(EMVA Standard 1288, release 4.0, section 7.2: doubling temperature; R. Widenhorn et al. 2002,
Proc. SPIE 4669, 193; J. R. Janesick 2001, Scientific Charge-Coupled Devices, section 7.1). With
what does not depend on temperature (the bias, also inside a master dark) called B,

    M(T) = B + I(T) t = (1 - w) M(T1) + w M(T2),   w = (2^((T-T1)/D) - 1) / (2^((T2-T1)/D) - 1)

so that the bias need not be known.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from coldframe.frame import FrameInfo
from coldframe.matching import Ranked

STEP = 0.5
"""°C: blends are made for temperatures rounded to this, so that a night needs few of them."""


@dataclass(frozen=True, slots=True)
class Doubling:
    """How dark current grows: it doubles every `degrees` (1 sigma: `error`), from `masters` darks
    between `low` and `high` °C."""

    degrees: float
    error: float
    masters: int
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Blend:
    """Two darks and how to mix them.

    cold, warm : places among the candidates. temperature : °C it is made for, and `off` how
    far that is from the frame. weight : of the warm one; `weight_error` from the doubling's.
    """

    cold: int
    warm: int
    cold_temperature: float
    warm_temperature: float
    temperature: float
    off: float
    weight: float
    weight_error: float
    doubling: Doubling

    def words(self, cold: str, warm: str) -> str:
        """What was done, for the match's reason."""
        d = self.doubling
        return (
            f"interpolated to {self.temperature:.1f} °C between {cold} "
            f"({self.cold_temperature:.1f} °C) and {warm} ({self.warm_temperature:.1f} °C), "
            f"share of the warmer {self.weight:.3f} ± {self.weight_error:.3f}; dark current "
            f"doubles every {d.degrees:.2f} ± {d.error:.2f} °C (fitted to {d.masters} darks)"
        )


def share(low: float, high: float, at: float, doubling: float) -> float:
    """Share of the warmer dark: w above. All in °C."""
    rate = math.log(2) / doubling
    return math.expm1((at - low) * rate) / math.expm1((high - low) * rate)


def share_error(low: float, high: float, at: float, doubling: Doubling) -> float:
    """1 sigma of the share: |dw/dD| times the doubling's, by the central difference."""
    step = 1e-4 * doubling.degrees
    up, down = (share(low, high, at, doubling.degrees + s) for s in (step, -step))
    return abs(up - down) / (2 * step) * doubling.error


def blend_of(
    frame: FrameInfo,
    infos: Sequence[FrameInfo],
    ranked: Sequence[Ranked],
    doubling: Doubling | str,
    span: float,
) -> Blend | str:
    """The nearest colder and the nearest warmer dark whose only fault is their temperature.

    A dark that could be fitted has that fault too: one made of two comes before it.

    Never beyond what was measured: the frame lies between the two darks, and they at most `span`
    apart. Gives the reason in words when there is no such pair.
    """
    if isinstance(doubling, str):
        return doubling
    wanted = frame.temperature
    assert wanted is not None
    alike = [r for r in ranked if r.beyond == ("temperature",) or r.fitted]
    near = [r.index for r in alike if not r.scaled]
    known = [(t, i) for i in near if (t := infos[i].temperature) is not None]
    colder = max((c for c in known if c[0] <= wanted), default=None)
    warmer = min((c for c in known if c[0] > wanted), default=None)
    if colder is None or warmer is None:
        side = "colder" if colder is None else "warmer"
        return f"no dark of these settings is {side} than {wanted:.1f} °C"
    (low, cold), (high, warm) = colder, warmer
    if high - low > span:
        return f"the nearest two are {high - low:.1f} °C apart; limit {span:g}"
    at = min(max(round(wanted / STEP) * STEP, low), high)
    weight = share(low, high, at, doubling.degrees)
    error = share_error(low, high, at, doubling)
    return Blend(cold, warm, low, high, at, abs(at - wanted), weight, error, doubling)
