"""Vets the frames of a scan: measures, judges, and hears the photographer."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from coldframe.company import company
from coldframe.digests import DigestCache
from coldframe.frame import Kind
from coldframe.night import NightScan
from coldframe.notes import fits
from coldframe.plugins import Registry
from coldframe.vetting.compare import Found, Subject
from coldframe.vetting.darks import judge_darks
from coldframe.vetting.fields import tell_fields
from coldframe.vetting.flats import judge_flats
from coldframe.vetting.gather import Fields, gather
from coldframe.vetting.labels import judge_copies, judge_labels
from coldframe.vetting.lights import judge_lights
from coldframe.vetting.measures import Sight
from coldframe.vetting.verdict import Finding, Verdict, Vetted


def vet(
    found: NightScan,
    registry: Registry,
    limits: Mapping[str, float],
    digests: DigestCache,
    *,
    use_anyway: Sequence[str] = (),
    workers: int = 2,
    watch: Callable[[int, int], None] | None = None,
) -> tuple[list[Vetted], list[Sight | None], NightScan]:
    """A verdict on every frame of the scan, and what it goes by, in the scan's order; and the scan
    in which lights that show several fields have a target for each (see `fields`).

    Parameters
    ----------
    limits : see `thresholds.VET_PARAMS`. digests : where measurements are kept.
    use_anyway : globs of frames to be used whatever is found; see `coldframe.notes` for how they fit.
    workers : frames measured at once. watch : called with (frames measured, frames in all).
    """
    seen = gather(found.frames, registry, digests, workers=workers, watch=watch)
    read = [i for i, one in enumerate(seen) if isinstance(one, Sight)]
    subjects = [
        Subject(found.frames[i], one, found.labels[i])
        for i, one in enumerate(seen)
        if isinstance(one, Sight)
    ]
    fields = Fields(registry.star_gauge(), digests)
    told = tell_fields(subjects, limits, fields)
    judged = judge(told.subjects, limits, fields, found.nights)
    infos = list(found.frames)
    for i, subject in zip(read, told.subjects, strict=True):
        infos[i] = subject.info
    found = replace(found, frames=tuple(infos), warnings=found.warnings + told.warnings)
    by_place = dict(zip(read, judged, strict=True))
    digests.save()
    out = []
    for i, (info, label) in enumerate(zip(found.frames, found.labels, strict=True)):
        one = seen[i]
        findings = (
            (Finding("unreadable", Verdict.SET_ASIDE, one, 0.0, 0.0),)
            if isinstance(one, str)
            else tuple(by_place[i])
        )
        by = "" if isinstance(one, str) else (_asked(label, use_anyway) or found.kept[i])
        out.append(Vetted(info, label, findings, by))
    return out, [one if isinstance(one, Sight) else None for one in seen], found


def judge(
    subjects: Sequence[Subject],
    limits: Mapping[str, float],
    fields: Fields,
    order: Sequence[str] = (),
) -> list[list[Finding]]:
    """Every fault of every frame, each night beside the frames of its `company` only; copies are
    looked for in all of them. order : names of the nights as they were given.
    """
    nights = [s.info.night or "" for s in subjects]
    kinds = [s.info.kind for s in subjects]
    lights, biases = ([k is kind for k in kinds] for kind in (Kind.LIGHT, Kind.BIAS))
    out: list[list[Finding]] = [[] for _ in subjects]
    copies: Found = defaultdict(list)
    judge_copies(subjects, copies)
    for night, places in company(nights, lights, biases, order).items():
        sound = [place for place in places if place not in copies]
        judged = _judge_together([subjects[place] for place in sound], limits, fields)
        for place, findings in zip(sound, judged, strict=True):
            if nights[place] == night:
                out[place] = findings
    for place, findings in copies.items():
        out[place] = findings
    return out


def _judge_together(
    subjects: Sequence[Subject], limits: Mapping[str, float], fields: Fields
) -> list[list[Finding]]:
    """Every fault of every frame but copies; each rule works on numbers alone.

    A frame that is not what it is called is left out of the comparisons.
    """
    first: Found = defaultdict(list)
    judge_labels(subjects, first)
    sound = [i for i in range(len(subjects)) if not first[i]]
    rest: Found = defaultdict(list)
    able = [subjects[i] for i in sound]
    judge_darks(able, limits, rest)
    judge_flats(able, limits, rest)
    judge_lights(able, limits, fields, rest)
    out = [list(first[i]) for i in range(len(subjects))]
    for place, i in enumerate(sound):
        out[i] += rest[place]
    return out


def _asked(label: str, globs: Sequence[str]) -> str:
    glob = next((glob for glob in globs if fits(label, glob)), None)
    return "" if glob is None else f"--use-anyway '{glob}'"
