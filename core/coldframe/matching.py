"""Which master serves which frame, and how far off it is."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from coldframe.facts import SENSOR_FACTS, describe, exposure_text, fact, fact_words, show
from coldframe.frame import FrameInfo, Kind
from coldframe.grouping import DEFAULT_TOLERANCES, Group, group
from coldframe.known_offset import dark_signal_known
from coldframe.matching_rules import DEFAULT_RULES, RULES_SCHEMA, rules_for

__all__ = [
    "DEFAULT_RULES",
    "DEFAULT_TOLERANCES",
    "RULES_SCHEMA",
    "Group",
    "Match",
    "Ranked",
    "group",
    "match",
    "rank",
    "rules_for",
]

DIGITS = 9
"""Totals that agree to so many decimals are equal: the nearest in time then wins."""

MISSING_COST = 1.0
"""A fact known on one side only counts as if it were off by its whole tolerance."""


@dataclass(frozen=True, slots=True)
class Match:
    """The master that serves a frame.

    index : place among the candidates, None when none is close enough. distances : how far off
    each fact is, in the fact's own unit (exposure s, temperature °C, age_days d, aperture
    f-number, focal_length mm). total : sum of distances, each divided by its tolerance, plus 1
    for every fact that only one side knows; for a dark that will be scaled the exposure counts 1
    plus the number of stops it is off (twice the stops when it has to be scaled up, which
    amplifies its noise). runner_up : the next best candidate within tolerance. reason : what was
    decided, in plain words. scaled : the dark's exposure differs and it has to be scaled. fitted :
    its temperature is beyond the tolerance, and its scale has to be fitted to the frame.
    """

    index: int | None
    distances: Mapping[str, float] = field(default_factory=dict)
    total: float = math.inf
    runner_up: int | None = None
    reason: str = ""
    scaled: bool = False
    fitted: bool = False


@dataclass(frozen=True, slots=True)
class Ranked:
    """One candidate and how it stands: see `Match` for distances and total.

    fits : within every tolerance. words : what differs, or what rules it out. beyond : names of
    the facts that are off by more than the tolerance, when that alone rules it out.
    """

    index: int
    fits: bool
    distances: Mapping[str, float]
    total: float
    words: str
    beyond: tuple[str, ...] = ()
    scaled: bool = False
    fitted: bool = False


@dataclass(slots=True)
class Comparison:
    """One candidate against the frame: how far off it is, and in words."""

    wrong: list[str] = field(default_factory=list)  # facts that must be equal and are not
    beyond: dict[str, str] = field(default_factory=dict)  # facts off by more than the tolerance
    notes: list[str] = field(default_factory=list)
    distances: dict[str, float] = field(default_factory=dict)
    total: float = 0.0
    scaled: bool = False
    fitted: bool = False

    @property
    def fits(self) -> bool:
        return not self.wrong and not self.beyond


def match(
    frame: FrameInfo,
    kind: Kind,
    candidates: Sequence[FrameInfo],
    rules: Mapping[str, Any] | None = None,
    *,
    bias: bool = False,
    ages: Sequence[float | None] = (),
    costs: Sequence[float] = (),
) -> Match:
    """Find the master of one kind that serves a frame best, and say how far off it is.

    Camera, size, binning and CFA pattern must be equal; for bias, dark and dark flat also ISO,
    gain setting and offset; for a flat also optics (else lens) and filter. Exposure and
    temperature, for flats age, aperture and focal length, may differ within tolerances. A fact
    known on one side only is allowed, at a cost, and the reason says so. When all candidates are
    beyond a tolerance there is no match, and the reason names the nearest.

    Parameters
    ----------
    frame : the frame to serve.
    kind : which kind of master.
    candidates : the masters' facts.
    rules : this kind's part of a recipe's `match:` block; what it does not set is as in
        `DEFAULT_RULES`.
    bias : a master bias serves this frame too, so that a dark can be scaled; without, it can where
        black levels or overscans tell (see `coldframe.known_offset`).
    ages : most days between the frame and each candidate, on top of the rules; none: no limit.
    costs : added to each candidate's total, in tolerances.

    Notes
    -----
    Equally good candidates: the one taken nearest in time, then the first.
    """
    ranked = rank(frame, kind, candidates, rules, bias=bias, ages=ages, costs=costs)
    return best_of(kind, candidates, ranked)


def best_of(kind: Kind, candidates: Sequence[FrameInfo], ranked: Sequence[Ranked]) -> Match:
    """The match that a ranking (see `rank`) comes to."""
    name = kind_words(kind)
    if not ranked:
        return Match(None, reason=f"there is no {name}")
    best = ranked[0]
    if best.fits:
        second = ranked[1].index if len(ranked) > 1 and ranked[1].fits else None
        said = f"{name}: {best.words}"
        how = best.scaled, best.fitted
        return Match(best.index, best.distances, best.total, second, said, *how)
    nearest = f"nearest {name} ({describe(candidates[best.index])})"
    return Match(None, best.distances, math.inf, None, f"{nearest} {best.words}")


def kind_words(kind: Kind) -> str:
    """The kind as a sentence has it."""
    return "dark flat" if kind is Kind.DARK_FLAT else kind.value


def rank(
    frame: FrameInfo,
    kind: Kind,
    candidates: Sequence[FrameInfo],
    rules: Mapping[str, Any] | None = None,
    *,
    bias: bool = False,
    ages: Sequence[float | None] = (),
    costs: Sequence[float] = (),
) -> list[Ranked]:
    """Every candidate from the best to the least fitting; parameters as for `match`."""
    rule = rules_for(kind, rules)
    limits = tuple(ages) or (None,) * len(candidates)
    seen = [
        _compare(frame, kind, info, _aged(rule, limit), bias)
        for info, limit in zip(candidates, limits, strict=True)
    ]

    for comparison, cost in zip(seen, costs, strict=bool(costs)):
        comparison.total += cost

    def place(i: int) -> tuple[int, int, float, float, int]:
        c, days = seen[i], _days(frame, candidates[i])
        # Rounded, so that the order in which distances were added up breaks no tie.
        total = round(c.total, DIGITS)
        return len(c.wrong), len(c.beyond), total, math.inf if days is None else days, i

    return [
        Ranked(
            index=i,
            fits=seen[i].fits,
            distances=seen[i].distances,
            total=seen[i].total,
            words="; ".join(seen[i].wrong or list(seen[i].beyond.values()) or seen[i].notes)
            or "all settings match",
            beyond=() if seen[i].wrong else tuple(seen[i].beyond),
            scaled=seen[i].scaled,
            fitted=seen[i].fitted,
        )
        for i in sorted(range(len(candidates)), key=place)
    ]


def _aged(rule: Mapping[str, Any], limit: float | None) -> Mapping[str, Any]:
    """The rule with the stricter of its own limit of age and the candidate's."""
    known = [days for days in (rule["age_days"], limit) if days is not None]
    return {**rule, "age_days": min(known) if known else None}


def settled(
    frame: FrameInfo, kind: Kind, other: FrameInfo, rule: Mapping[str, Any], bias: bool
) -> Comparison:
    """How a candidate compares in all but temperature, time and night.

    Frames with equal camera, settings, exposure, optics and filter share the answer. rule : the
    full rules of the kind. bias : a bias serves the frame too.
    """
    out = Comparison()
    setting = ("filter",) if kind is Kind.FLAT else ("iso", "gain_setting", "offset")
    for name in (*SENSOR_FACTS, *setting):
        _equal(out, name, fact(frame, name), fact(other, name))
    if kind is Kind.FLAT:
        _optics(out, frame, other)
        for name in ("aperture", "focal_length"):
            _near_fraction(out, name, fact(frame, name), fact(other, name), rule[name])
    elif kind is not Kind.BIAS:
        known = bias or dark_signal_known(frame, other)
        _exposure(out, frame.exposure, other.exposure, rule, known)
    return out


def _compare(
    frame: FrameInfo, kind: Kind, other: FrameInfo, rule: Mapping[str, Any], bias: bool
) -> Comparison:
    out = settled(frame, kind, other, rule, bias)
    if kind is not Kind.FLAT:
        reach = fit_reach(frame, other, rule, bias)
        _temperature(out, frame.temperature, other.temperature, rule["temperature"], reach)
    if rule["age_days"] is not None:
        _age(out, frame, other, rule["age_days"])
    return out


def fit_reach(frame: FrameInfo, other: FrameInfo, rule: Mapping[str, Any], bias: bool) -> float:
    """Up to how far off (°C) a candidate may serve: a dark's scale can be fitted beyond the
    tolerance, where its signal is known apart from its offset."""
    wide = float(rule.get("fitted_temperature", 0.0))
    near = float(rule["temperature"])
    return max(near, wide) if wide and (bias or dark_signal_known(frame, other)) else near


def _missing(out: Comparison, name: str, mine: Any, theirs: Any) -> bool:
    """Whether a fact cannot be compared; known on one side only, it costs."""
    if mine is not None and theirs is not None:
        return False
    if mine is not None or theirs is not None:
        out.total += MISSING_COST
        side = "the master" if theirs is None else "the frame"
        out.notes.append(f"{fact_words(name)} of {side} is unknown")
    return True


def _equal(out: Comparison, name: str, mine: Any, theirs: Any) -> None:
    if not _missing(out, name, mine, theirs) and mine != theirs:
        what = "has" if name in ("camera", "filter", "cfa", "optics", "lens") else "is"
        label = f"{fact_words(name)} " if what == "has" else ""
        out.wrong.append(f"{what} {label}{show(name, theirs)}, not {show(name, mine)}")


def _optics(out: Comparison, frame: FrameInfo, other: FrameInfo) -> None:
    """What both sides name decides: the photographer's name for the optics, else the lens."""
    for name in ("optics", "lens"):
        mine, theirs = getattr(frame, name), getattr(other, name)
        if mine is not None and theirs is not None:
            _equal(out, name, mine, theirs)
            return
    _missing(out, "optics", fact(frame, "optics"), fact(other, "optics"))


def _count(out: Comparison, name: str, distance: float, tolerance: float) -> bool:
    """Record a distance; True when it is within the tolerance."""
    out.distances[name] = distance
    if distance > tolerance * (1 + 1e-9):
        out.total += distance / tolerance if tolerance > 0 else math.inf
        return False
    out.total += distance / tolerance if tolerance > 0 else 0.0
    return True


def _temperature(
    out: Comparison, mine: float | None, theirs: float | None, tolerance: float, reach: float
) -> None:
    if mine is None or theirs is None:
        if mine is None and theirs is None:
            out.notes.append("temperature unknown on both sides")
        _missing(out, "temperature", mine, theirs)
        return
    off = theirs - mine
    words = f"{abs(off):.1f} °C {'warmer' if off > 0 else 'colder'}"
    near = _count(out, "temperature", abs(off), tolerance)
    if near and abs(off) >= 0.05:
        out.notes.append(words)
    elif not near and abs(off) <= reach * (1 + 1e-9):
        out.fitted = True
        out.notes.append(f"{words}, its scale fitted to the frame")
    elif not near:
        out.beyond["temperature"] = f"is {words}; tolerance {max(tolerance, reach):g}"


def _exposure(
    out: Comparison,
    mine: float | None,
    theirs: float | None,
    rule: Mapping[str, Any],
    scalable: bool,
) -> None:
    if mine is None or theirs is None:
        _missing(out, "exposure", mine, theirs)
        return
    tolerance = rule["exposure"] * mine
    distance = abs(theirs - mine)
    if distance <= tolerance * (1 + 1e-9):
        _count(out, "exposure", distance, tolerance)
        return
    words = f"{exposure_text(theirs)} against {exposure_text(mine)}"
    limit = rule.get("scale_limit", 1.0)
    stops = math.log2(theirs / mine) if theirs > 0 and mine > 0 else -math.inf
    if rule.get("scale", False) and scalable and -stops <= math.log2(limit) + 1e-9:
        out.scaled = True
        out.distances["exposure"] = distance
        out.total += 1.0 + (stops if stops > 0 else -2 * stops)
        out.notes.append(f"scaled from {exposure_text(theirs)} to {exposure_text(mine)}")
        return
    _count(out, "exposure", distance, tolerance)
    if not rule.get("scale", False):
        why = ""
    elif not scalable:
        why = ", and without a bias it cannot be scaled"
    else:
        why = f", more than {limit:g} times too short to scale"
    out.beyond["exposure"] = f"is {words}{why}; tolerance {exposure_text(tolerance)}"


def _days(frame: FrameInfo, other: FrameInfo) -> float | None:
    """Days between two frames: by the clock, else 0 when they came from the same folder."""
    if frame.start is not None and other.start is not None:
        # A time without a zone is UTC, as FrameInfo says.
        return (
            abs(
                (
                    frame.start.replace(tzinfo=None) - other.start.replace(tzinfo=None)
                ).total_seconds()
            )
            / 86400
        )
    if frame.night is not None and frame.night == other.night:
        return 0.0
    return None


def _age(out: Comparison, frame: FrameInfo, other: FrameInfo, tolerance: float) -> None:
    days = _days(frame, other)
    if days is None:
        out.total += MISSING_COST
        out.notes.append("age unknown")
        return
    if not _count(out, "age_days", days, tolerance):
        out.beyond["age_days"] = f"is {days:.1f} days away; tolerance {tolerance:g}"
    elif days >= 0.5:
        out.notes.append(f"{days:.1f} days away")


def _near_fraction(
    out: Comparison, name: str, mine: float | None, theirs: float | None, fraction: float
) -> None:
    if mine is None or theirs is None:
        _missing(out, name, mine, theirs)
        return
    if not _count(out, name, abs(theirs - mine), fraction * abs(mine)):
        out.beyond[name] = (
            f"has {show(name, theirs)}, not {show(name, mine)}; tolerance {fraction:.0%}"
        )
