"""Which masters serve one frame: each kind that a step asks for, every candidate ranked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from coldframe.frame import FrameInfo, Kind
from coldframe.interpolation import Blend, Doubling, blend_of
from coldframe.known_offset import tells_offset
from coldframe.matching import Match, Ranked, best_of, rank, rules_for

LIBRARY_COST = 0.05
"""Tolerances by which a library's master must be nearer to be taken before the night's own."""

OTHER_NIGHT_COST = 0.1
"""The same for a master of another night of lights: what a night brings serves the night itself."""

STAND_IN_COST = 10.0
"""Tolerances that a bias is worth over a dark or dark flat that stands in for it."""

STAND_IN_SHARE = 0.1
"""A dark stands in for a light's bias up to this share of the light's exposure: no more than so
much of the light's dark signal is then taken for offset (our own choice)."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A master that may serve a frame.

    key : its store key. sources : ids of the frames in it. library : it comes from the library.
    age_days : most days from the frame, by the library's rule; None: no limit. night : the night
    of lights it was shot in, "" when it belongs to no one night. stands_in : it is a dark or a dark
    flat, for frames whose bias and offset nothing else tells.
    """

    key: str
    info: FrameInfo
    label: str
    sources: tuple[str, ...] = ()
    library: bool = False
    age_days: float | None = None
    night: str = ""
    stands_in: bool = False

    @property
    def name(self) -> str:
        """For people: where a library's master comes from is said."""
        return f"library {self.key[:10]}: {self.label}" if self.library else self.label

    def cost(self, frame: FrameInfo) -> float:
        """Tolerances that a frame's own night is worth."""
        other = bool(self.night) and self.night != frame.night
        return self.own_cost + OTHER_NIGHT_COST * other

    @property
    def own_cost(self) -> float:
        """Tolerances that it costs whichever frame it serves; of stand-ins the shortest wins."""
        time = self.info.exposure or 0.0
        return LIBRARY_COST * self.library + self.stands_in * (STAND_IN_COST + time / (time + 1))


@dataclass(frozen=True, slots=True)
class Shelf:
    """What a calibration library offers to a run.

    store : the library's folder of products. digests : by key, blake2b of the FITS file.
    doublings : by camera, how its dark current grows, or why that is not known.
    """

    store: Path
    candidates: tuple[Candidate, ...] = ()
    digests: Mapping[str, str] = field(default_factory=dict)
    doublings: Mapping[str, Doubling | str] = field(default_factory=dict)

    def doubling(self, camera: str | None) -> Doubling | str:
        """How this camera's dark current grows, or the reason why that is not known."""
        return self.doublings.get(
            camera or "", "the library has no darks of this camera to tell its dark current"
        )


@dataclass(frozen=True, slots=True)
class Served:
    """What one kind of master does for one frame.

    ranked : every candidate, best first, `ranked[i].index` its place in `candidates`. blend : the
    dark made of two, when none was near and the recipe allows it. note : the whole reason.
    """

    kind: Kind
    candidates: tuple[Candidate, ...]
    ranked: tuple[Ranked, ...]
    found: Match
    blend: Blend | None
    note: str

    @property
    def chosen(self) -> Candidate | None:
        """The master that serves; None when there is none, or a blend of two."""
        return None if self.found.index is None else self.candidates[self.found.index]


def with_library(
    own: Mapping[Kind, Sequence[Candidate]], shelf: Shelf | None
) -> dict[Kind, Sequence[Candidate]]:
    """The nights' own masters first, so that they win ties, then the library's of those kinds."""
    kept = shelf.candidates if shelf else ()
    return {
        kind: [
            *ours,
            *(c for c in kept if c.info.kind is kind and c.key not in {o.key for o in ours}),
        ]
        for kind, ours in own.items()
    }


def serve(
    frame: FrameInfo,
    by_kind: Mapping[Kind, Sequence[Candidate]],
    rules: Mapping[str, Mapping[str, Any]],
    shelf: Shelf | None = None,
) -> list[Served]:
    """The best master of each kind for a frame.

    by_kind : candidates; those of the nights themselves come first and win ties. rules : a
    step's `match:` block.
    """
    out: list[Served] = []
    # Bias first: whether a dark may be scaled depends on it.
    for kind in sorted(by_kind, key=lambda kind: kind is not Kind.BIAS):
        bias = any(one.kind is Kind.BIAS and one.chosen is not None for one in out)
        near = [c for c in by_kind[kind] if eligible(frame, c)]
        out.append(serve_kind(frame, kind, near, rules.get(kind.value, {}), bias, shelf))
    return out


def eligible(frame: FrameInfo, candidate: Candidate) -> bool:
    """Whether a candidate is worth a look for this frame.

    A library may hold many cameras' masters; those of others are not. What stands in for a bias
    does so for flats, and for lights exposed much longer, where nothing else tells their offset.
    """
    known = candidate.info.camera and frame.camera
    if candidate.library and known and candidate.info.camera != frame.camera:
        return False
    if not candidate.stands_in:
        return True
    if tells_offset(frame):
        return False
    mine, theirs = frame.exposure, candidate.info.exposure
    short = mine is not None and theirs is not None and theirs <= STAND_IN_SHARE * mine
    return frame.kind is Kind.FLAT or (frame.kind is Kind.LIGHT and short)


def serve_kind(
    frame: FrameInfo,
    kind: Kind,
    candidates: Sequence[Candidate],
    rule: Mapping[str, Any],
    bias: bool,
    shelf: Shelf | None,
) -> Served:
    """The best master of one kind. bias : a bias serves the frame too."""
    infos = [c.info for c in candidates]
    ages = [c.age_days for c in candidates]
    costs = [c.cost(frame) for c in candidates]
    ranked = tuple(rank(frame, kind, infos, rule, bias=bias, ages=ages, costs=costs))
    found = best_of(kind, infos, ranked)
    note, blend = found.reason, None
    full = rules_for(kind, rule)
    far = found.index is None or found.fitted
    if far and full.get("interpolate") and frame.temperature is not None:
        doubling = shelf.doubling(frame.camera) if shelf else "there is no calibration library"
        made = blend_of(frame, infos, ranked, doubling, full["interpolate_span"])
        if isinstance(made, Blend):
            blend = made
            low, high = candidates[made.cold], candidates[made.warm]
            total = min(r.total for r in ranked if r.index in (made.cold, made.warm))
            found = Match(None, {"temperature": made.off}, total, None, found.reason)
            note = f"dark: {made.words(low.name, high.name)}"
        else:
            note = f"{found.reason}; and none can be interpolated: {made}"
    elif found.index is not None and candidates[found.index].stands_in:
        note = f"there is no bias that fits, {candidates[found.index].name} stands in for it"
    elif found.index is not None and candidates[found.index].library:
        note = f"{found.reason} ({candidates[found.index].name})"
    return Served(kind, tuple(candidates), ranked, found, blend, note)
