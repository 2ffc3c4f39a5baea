"""Flats: exposure, stars, and shapes and levels unlike those of comparable frames."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from coldframe.frame import Array, Kind
from coldframe.vetting.compare import Found, Subject, groups, plane, sensor, swing, usual
from coldframe.vetting.verdict import Finding, Verdict

_CELLS = 5.0  # standard errors that the largest of some hundred cells may reach


def judge_flats(subjects: Sequence[Subject], limits: Mapping[str, float], found: Found) -> None:
    """Find faults of flats."""
    zero = {
        sensor(subjects[members[0]].info): float(
            np.median([subjects[i].sight.level for i in members])
        )
        for members in groups(subjects, (Kind.BIAS,), lambda s: sensor(s.info))
    }
    for i, subject in enumerate(subjects):
        if subject.info.kind is Kind.FLAT:
            found[i] += _alone(subject, zero.get(sensor(subject.info), 0.0), limits)
    for members in groups(
        subjects, (Kind.FLAT,),
        lambda s: (sensor(s.info), s.info.night, s.info.optics, s.info.filter),
    ):  # fmt: skip
        base = zero.get(sensor(subjects[members[0]].info), 0.0)
        # What is over- or underexposed says nothing about the others.
        _among_comparable(subjects, [i for i in members if not found[i]], base, limits, found)


def _alone(subject: Subject, base: float, limits: Mapping[str, float]) -> list[Finding]:
    """What a flat tells by itself."""
    sight, out = subject.sight, []
    full = None if sight.full is None else sight.full - base
    if full:
        shares = {name: (level - base) / full for name, level in sight.colours.items()}
        name, share = max(shares.items(), key=lambda item: item[1])
        clipped = sight.look.saturated
        if share > limits["flat_high"] or clipped > limits["flat_clipped"]:
            out.append(
                Finding(
                    "flat clipped", Verdict.SET_ASIDE,
                    f"an overexposed flat: {_colour(name, sight.colours)}at {share:.0%} of the "
                    f"full range ({limits['flat_high']:.0%} allowed), {clipped:.1%} of its pixels "
                    "at the white level", share, limits["flat_high"],
                )
            )  # fmt: skip
        name, share = min(shares.items(), key=lambda item: item[1])
        if share < limits["flat_low"]:
            out.append(
                Finding(
                    "flat dark", Verdict.SET_ASIDE,
                    f"an underexposed flat: {_colour(name, sight.colours)}at {share:.1%} of the "
                    f"full range ({limits['flat_low']:.1%} needed)", share, limits["flat_low"],
                )
            )  # fmt: skip
    if sight.look.stars >= limits["flat_stars"]:
        out.append(
            Finding(
                "flat stars", Verdict.SET_ASIDE,
                f"a flat with {sight.look.stars} stars in it ({limits['flat_stars']:g} allow for "
                "chance); the sky was too dark already, or still", float(sight.look.stars),
                limits["flat_stars"],
            )
        )  # fmt: skip
    return out


def _colour(name: str, colours: Mapping[str, float]) -> str:
    words = {"R": "red ", "G": "green ", "B": "blue "}
    return words.get(name, "") if len(colours) > 1 else ""


def _among_comparable(
    subjects: Sequence[Subject],
    members: Sequence[int],
    base: float,
    limits: Mapping[str, float],
    found: Found,
) -> None:
    if len(members) < 3:
        return
    levels = np.array([subjects[i].sight.level - base for i in members])
    if levels.min() <= 0:
        return
    shapes = np.stack(
        [(subjects[i].sight.grid - base) / level for i, level in zip(members, levels, strict=True)]
    )
    for place, (i, level) in enumerate(zip(members, levels, strict=True)):
        ratio = float(level / usual(levels, place))
        drift = max(ratio, 1 / ratio)
        if drift > limits["flat_drift"]:
            found[i].append(
                Finding(
                    "flat drift", Verdict.SET_ASIDE,
                    f"a flat {drift:.1f} times {'brighter' if ratio > 1 else 'dimmer'} than "
                    f"comparable frames: beyond scaling ({limits['flat_drift']:g} times allowed)", drift,
                    limits["flat_drift"],
                )
            )  # fmt: skip
        comparable = np.maximum(usual(shapes, place), 1e-6)
        error = subjects[i].sight.error / level
        found[i] += _shape(shapes[place] / comparable, error, limits)


def _shape(relative: Array, error: float, limits: Mapping[str, float]) -> list[Finding]:
    """Faults of a flat's map over that of comparable frames. error : relative, of a cell."""
    tilt = plane(relative)
    slope = swing(tilt)
    if slope > limits["flat_gradient"]:
        return [
            Finding(
                "flat gradient", Verdict.SET_ASIDE,
                f"a flat with a slope of {slope:.1%} from edge to edge that "
                f"comparable frames do not have ({limits['flat_gradient']:.1%} allowed)", slope, limits["flat_gradient"],
            )
        ]  # fmt: skip
    rest = relative - tilt
    rest = rest - np.median(rest)
    crease = float(np.abs(rest).max())
    limit = limits["flat_crease"] + _CELLS * 1.5 * error
    if crease > limit:
        return [
            Finding(
                "flat crease", Verdict.SET_ASIDE,
                f"a flat with a crease or spot {crease:.1%} off comparable frames ({limit:.1%} allowed)",
                crease, limit,
            )
        ]  # fmt: skip
    return []
