"""Frames that are not what they are called, and frames that are there twice."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

from coldframe.frame import Kind
from coldframe.kinds import BIAS_EXPOSURE, MIDDLE, Peers, recognise, same_exposure
from coldframe.vetting.compare import Found, Subject, sensor
from coldframe.vetting.verdict import Finding, Verdict

_CAPPED = (Kind.DARK, Kind.BIAS, Kind.DARK_FLAT)
_ENOUGH = 10.0  # stars of the gauge that make a light whatever else the pixels say


def judge_labels(subjects: Sequence[Subject], found: Found) -> None:
    """Find frames labelled one kind that measure as another."""
    by_sensor: dict[object, list[Subject]] = defaultdict(list)
    for subject in subjects:
        by_sensor[sensor(subject.info)].append(subject)
    peers = {key: _peers(group) for key, group in by_sensor.items()}
    for i, subject in enumerate(subjects):
        finding = _mislabelled(subject, peers[sensor(subject.info)])
        if finding is not None:
            found[i].append(finding)


def _peers(group: Sequence[Subject]) -> Peers:
    starry = [s.info.kind is Kind.LIGHT and _stars(s) >= _ENOUGH for s in group]
    lights = {s.info.exposure for s, lit in zip(group, starry, strict=True) if lit}
    levels = tuple(
        (s.info.exposure, s.sight.look.level, lit) for s, lit in zip(group, starry, strict=True)
    )
    exposures = [s.info.exposure for s in group if s.info.exposure is not None]
    known = tuple(sorted(e for e in lights if e is not None))
    return Peers(known, levels, min(exposures, default=None))


def _stars(subject: Subject) -> float:
    """Stars by the gauge; where no plugin measures them, by the look."""
    return subject.sight.stars.get("stars", float(subject.sight.look.stars))


def _mislabelled(subject: Subject, peers: Peers) -> Finding | None:
    info, sight = subject.info, subject.sight
    told = info.kind
    if told is None or info.kind_reason.startswith("pixels"):
        return None  # the pixels themselves gave it its kind
    if told is Kind.LIGHT and _stars(subject) >= _ENOUGH:
        return None
    seen, why = recognise(replace(info, kind=None), sight.look, peers)
    if seen is None or _class(seen) == _class(told):
        return None
    bright = (sight.look.fraction or 0.0) >= MIDDLE
    like_lights = same_exposure(info.exposure, peers.star_exposures)
    if told is Kind.FLAT and seen is Kind.LIGHT and bright and not like_lights:
        return None  # as bright as a flat: it is told of as a flat with stars
    if told is Kind.LIGHT and seen in _CAPPED and (info.exposure or 0) <= BIAS_EXPOSURE:
        return None
    # Where no light at all shows stars, the sky or the lens may be to blame, not the label.
    doubtful = told is Kind.LIGHT and seen in _CAPPED and not peers.star_exposures
    return Finding(
        "kind", Verdict.WARN if doubtful else Verdict.SET_ASIDE,
        f"labelled a {told.value} ({info.kind_reason or 'by its header'}) but measures as a "
        f"{seen.value}: {why}", sight.look.level, 0.0,
    )  # fmt: skip


def _class(kind: Kind) -> str:
    """Capped frames differ by exposure alone: no pixel tells one from another."""
    return "capped" if kind in _CAPPED else kind.value


def judge_copies(subjects: Sequence[Subject], found: Found) -> None:
    """Find frames with the very pixels of another, whatever the files are called or say."""
    first: dict[str, Subject] = {}
    for i, subject in enumerate(subjects):
        original = first.setdefault(subject.sight.pixels, subject)
        if original is not subject:
            found[i].append(
                Finding(
                    "copy", Verdict.SET_ASIDE,
                    f"has the very pixels of {original.label}; one is enough", 1.0, 0.0,
                )
            )  # fmt: skip
