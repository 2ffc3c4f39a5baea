"""The numbers of a run's proof, picked out of its record. No pixels."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from statistics import median

import numpy as np

from coldframe import dithering
from coldframe.dithering import shift_of
from coldframe.report.findings import exposure, lights
from coldframe.report.numbers import number
from coldframe.report.record import ProductRecord, RunRecord
from coldframe.step import Numbers


def probe(record: RunRecord, name: str) -> Numbers:
    """What a probe measured; nothing where there is no such probe, or it could not measure."""
    key = record.proof.probes.get(name) if record.proof else None
    return (record.numbers(key) if key else None) or {}


def one(numbers: Numbers, name: str) -> float | None:
    """A single number, None where there is none."""
    values = numbers.get(name)
    if values is None or not values.size or not math.isfinite(float(values.flat[0])):
        return None
    return float(values.flat[0])


def proved(record: RunRecord) -> ProductRecord | None:
    """The stack that the proof is about."""
    if record.proof is None:
        return None
    return next((p for p in record.products if p.id == record.proof.stack), None)


def positions(record: RunRecord, stack: ProductRecord) -> float:
    """At how many dither positions the lights of a stack lie; see `dithering.positions`."""
    inside = set(stack.frames)
    shifts = (shift_of(frame.measures) for frame in lights(record) if frame.id in inside)
    return dithering.positions(shift for shift in shifts if shift is not None)


@dataclass(frozen=True, slots=True)
class Depth:
    """How deep a stack is, and what more lights would bring.

    frames, noise, scatter : the measured curve, ADU. floors : by kind of master, ADU in the stack
    of any number of lights. positions : see `positions`. exposure : s of the middle light.
    """

    frames: tuple[int, ...]
    noise: tuple[float, ...]
    scatter: tuple[float, ...]
    floors: Mapping[str, float]
    positions: float
    exposure: float

    @property
    def lights(self) -> int:
        """In the stack."""
        return self.frames[-1]

    @property
    def floor(self) -> float:
        """ADU: what no number of lights at the same places gets below."""
        return math.sqrt(sum(value**2 for value in self.floors.values()))

    @property
    def spread(self) -> float:
        """ADU^2: what falls as 1 / n, from the noise of the whole stack; never below zero."""
        return max(0.0, self.noise[-1] ** 2 - self.floor**2) * self.lights

    def expected(self, lights: float) -> float:
        """Noise of a stack of so many lights like these at places like these, ADU."""
        return math.sqrt(self.spread / lights + self.floor**2)

    def needed(self, noise: float) -> int | None:
        """Lights that bring the noise down to so many ADU; None when none do."""
        room = noise**2 - self.floor**2
        if room <= 0 or self.spread <= 0:
            return None
        return math.ceil(self.spread / room - 1e-9)


def depth(record: RunRecord) -> Depth | None:
    """The noise curve of the stack that the proof is about; None without one.

    Notes
    -----
    The masters' noise and a light's are measured in calibrated lights before anything is
    resampled; resampling lowers both alike, so their ratio holds in the stack:
    floor = (sigma_master / sigma_light) sigma_1 / sqrt(positions).
    """
    stack, curve, fixed = proved(record), probe(record, "depth"), probe(record, "fixed")
    if stack is None or "noise" not in curve or not np.isfinite(curve["noise"]).all():
        return None
    where = positions(record, stack)
    floors = {}
    light = one(fixed, "light_noise")
    for kind in ("bias", "dark", "flat"):
        value = one(fixed, f"floor_{kind}")
        if value and light:
            floors[kind] = value / light * float(curve["noise"][0]) / math.sqrt(where)
    used = [f for f in lights(record) if f.id in set(stack.frames)]
    times = [f.info.exposure for f in used if f.info.exposure]
    return Depth(
        frames=tuple(int(n) for n in curve["frames"]),
        noise=tuple(map(float, curve["noise"])),
        scatter=tuple(map(float, curve["scatter"])),
        floors=floors,
        positions=where,
        exposure=float(median(times)) if times and exposure(used) else 0.0,
    )


@dataclass(frozen=True, slots=True)
class Change:
    """A figure before and after calibration. error : of the value after; None where not known."""

    kind: str  # the master or step that does it
    name: str
    before: float | None
    after: float | None
    unit: str
    error: float | None = None
    note: str = ""

    @property
    def shown(self) -> tuple[float | None, float | None]:
        """Before and after as every part of the report shows them: to three digits of the larger of
        the two, so that noise is not shown as a number."""
        largest = max(abs(self.before or 0.0), abs(self.after or 0.0))
        if not largest:
            return self.before, self.after
        digits = max(0, 2 - math.floor(math.log10(largest)))
        before, after = (None if v is None else round(v, digits) for v in (self.before, self.after))
        return before, after

    @property
    def words(self) -> str:
        """Such as "31 % before and 0.4 % after"."""
        return " and ".join(
            f"{number(value)} {self.unit}".rstrip() + f" {when}"
            for value, when in zip(self.shown, ("before", "after"), strict=True)
        )


def changes(record: RunRecord) -> list[Change]:
    """What calibration and the background fit took away, as far as it was measured."""
    fixed, sky = probe(record, "fixed"), probe(record, "surface")
    found = [
        Change(
            "dark",
            "Hot pixels that show in one light",
            one(fixed, "hot_seen"),
            one(fixed, "hot_left"),
            "",
            None,
            _known(one(fixed, "hot_count")),
        )
    ]
    found += [_pattern(fixed, line) for line in ("rows", "columns")]
    found.append(
        Change(
            "flat",
            "Corners darker than the centre",
            _percent(one(fixed, "before_falloff")),
            _percent(one(fixed, "after_falloff")),
            "%",
        )
    )
    depths = fixed.get("dust_depth", np.zeros(0))
    if depths.size:
        deepest = 100 * float(depths.max())
        shares = [fixed.get(f"dust_{when}", np.full(2, np.nan)) for when in ("before", "after")]
        values = [float(share[0]) * deepest for share in shares]
        error = float(shares[1][1]) * deepest
        found.append(
            Change(
                "flat",
                "Depth of the deepest dust shadow",
                values[0] if math.isfinite(values[0]) else None,
                values[1] if math.isfinite(values[1]) else None,
                "%",
                error if math.isfinite(error) else None,
                f"{depths.size} in the flat",
            )
        )
    if one(sky, "final tilt") is not None:
        found.append(
            Change(
                "background",
                "Gradient of the sky, corner to corner",
                one(sky, "stack tilt"),
                one(sky, "final tilt"),
                "ADU",
            )
        )
    return [change for change in found if change.before is not None and change.after is not None]


def _pattern(fixed: Numbers, line: str) -> Change:
    """Of rows or columns: in lights as shot, or in the master where lights are too noisy."""
    before, error = one(fixed, f"raw_{line}"), one(fixed, f"raw_{line}_error")
    note = "the dark takes it away too" if f"dark_{line}" in fixed else ""
    if before is not None and error is not None and before**2 < 2 * error:
        master = next((kind for kind in ("bias", "dark") if f"{kind}_{line}" in fixed), None)
        before = one(fixed, f"{master}_{line}") if master else None
        note = f"before: as the {master} has it, one light is too noisy to tell"
    uncertain = _root(one(fixed, f"clean_{line}_error"))
    after = one(fixed, f"clean_{line}")
    return Change("bias", f"Pattern of {line}", before, after, "ADU", uncertain, note)


def _known(count: float | None) -> str:
    return f"{count:.0f} known from the dark" if count else ""


def _percent(share: float | None) -> float | None:
    return None if share is None else 100 * share


def _root(variance: float | None) -> float | None:
    """What a variance of nothing but this error would look like as a sigma."""
    return None if variance is None else math.sqrt(max(0.0, variance))
