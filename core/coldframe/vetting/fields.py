"""Star fields among lights: those that show the same stars belong together, whatever they are called."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from coldframe.frame import FrameInfo, Kind
from coldframe.vetting.compare import Subject
from coldframe.vetting.gather import Fields

OWN = 3  # lights that make a field a target of its own; fewer are a mistaken slew
SPARSE = 8  # stars that tell a field where hardly a light shows more
_TRIES = 3  # lights of a field that another is compared with before it counts as elsewhere


@dataclass(frozen=True, slots=True)
class Told:
    """Subjects with the target that each light's stars give it, and what to say of that."""

    subjects: list[Subject]
    warnings: tuple[str, ...] = ()


def tell_fields(subjects: Sequence[Subject], limits: Mapping[str, float], fields: Fields) -> Told:
    """Give lights of one name, or of none, that show several fields a target for each field.

    A field is three lights or more that match each other. Lights of a smaller one keep the company
    of the largest, beside which they are found to be elsewhere. What shows too few stars to tell
    goes with the field that it matches, else with that of the light nearest in time. Where hardly a light shows `field_stars`, eight must do.
    """
    by_name: dict[str | None, list[int]] = defaultdict(list)
    for i, subject in enumerate(subjects):
        if subject.info.kind is Kind.LIGHT:
            by_name[subject.info.target].append(i)
    out, warnings = list(subjects), []
    for name, members in by_name.items():
        found = _fields(subjects, members, limits, fields)
        if len(found) < 2:
            continue
        within = {i for field in found for i in field}
        strays, parts = [i for i in members if i not in within], []
        for k, field in enumerate(sorted(found, key=min)):
            letter = chr(ord("A") + k) if k < 26 else str(k + 1)
            target = f"{name} field {letter}" if name else f"field {letter}"
            for i in [*field, *(strays if field is max(found, key=len) else [])]:
                out[i] = replace(out[i], info=replace(out[i].info, target=target))
            first, last = subjects[min(field)].label, subjects[max(field)].label
            parts.append(f"{target} ({len(field)} lights, {first} to {last})")
        warnings.append(_said(name, len(members), parts))
    return Told(out, tuple(warnings))


def _said(name: str | None, lights: int, parts: Sequence[str]) -> str:
    who = f"{lights} lights {f'of {name}' if name else 'without a target'}"
    return (
        f"{who} show {len(parts)} star fields that do not match; each is stacked by itself: "
        f"{'; '.join(parts)}. To name them, in notes.yaml: files: [{{match: GLOB, target: NAME}}]"
    )


def _fields(
    subjects: Sequence[Subject],
    members: Sequence[int],
    limits: Mapping[str, float],
    fields: Fields,
) -> list[list[int]]:
    """The fields that are targets of their own, without strays; fewer than two are no reason to
    part anything."""
    clusters = clustered(subjects, members, limits["field_stars"], fields) or clustered(
        subjects, members, SPARSE, fields
    )
    able = [i for cluster in clusters for i in cluster]
    own = [cluster for cluster in clusters if len(cluster) >= OWN]
    if len(own) < 2 or 2 * sum(map(len, own)) <= len(able):
        return own[:1]
    out = [list(cluster) for cluster in own]
    settled = {i: k for k, cluster in enumerate(own) for i in cluster}
    for i in members:
        if i in able:
            continue
        home = next(
            (k for k, cluster in enumerate(own) if _shows(subjects, i, cluster, fields)),
            settled[_nearest(subjects, i, list(settled))],
        )
        out[home].append(i)
    return out


def clustered(
    subjects: Sequence[Subject], members: Sequence[int], least: float, fields: Fields
) -> list[list[int]]:
    """Lights of at least so many stars, those of the same stars together; none where fewer than
    three are left, or no plugin can compare them."""
    able = [i for i in members if len(subjects[i].sight.field) >= least]
    if len(able) < OWN or not fields.able:
        return []
    # The frames with the most stars come first: the largest field is then found at once.
    able.sort(key=lambda i: -subjects[i].sight.stars.get("stars", 0.0))
    clusters: list[list[int]] = []
    for i in able:
        home = next((c for c in clusters if _shows(subjects, i, c, fields)), None)
        if home is None:
            clusters.append([i])
        else:
            home.append(i)
    return _joined(subjects, clusters, fields)


def _joined(
    subjects: Sequence[Subject], clusters: Sequence[list[int]], fields: Fields
) -> list[list[int]]:
    """Fields that overlap after all, by lights met later, are one."""
    out: list[list[int]] = []
    for cluster in clusters:
        home = next(
            (c for c in out if any(_shows(subjects, i, c, fields) for i in _spread(cluster))), None
        )
        if home is None:
            out.append(list(cluster))
        else:
            home += cluster
    return out


def _shows(subjects: Sequence[Subject], i: int, cluster: Sequence[int], fields: Fields) -> bool:
    own = subjects[i].sight
    return any(fields.same(own, subjects[j].sight) for j in _spread(cluster))


def _nearest(subjects: Sequence[Subject], i: int, others: Sequence[int]) -> int:
    def gap(j: int) -> tuple[float, int]:
        return _seconds(subjects[i].info, subjects[j].info), abs(i - j)

    return min(others, key=gap)


def _seconds(own: FrameInfo, other: FrameInfo) -> float:
    if own.start is None or other.start is None:
        return 0.0
    return abs((own.start - other.start).total_seconds())


def _spread(cluster: Sequence[int]) -> list[int]:
    """A few members from first to last."""
    places = np.linspace(0, len(cluster) - 1, min(_TRIES, len(cluster))).round().astype(int)
    return [cluster[p] for p in dict.fromkeys(places.tolist())]
