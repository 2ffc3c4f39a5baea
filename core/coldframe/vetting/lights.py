"""Lights: cloud, trailing, focus, twilight, filter and target, against the lights beside them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from coldframe.frame import Array, Kind
from coldframe.vetting.compare import Found, Subject, groups, same_exposure, sensor
from coldframe.vetting.fields import OWN, clustered
from coldframe.vetting.gather import Fields
from coldframe.vetting.verdict import Finding, Verdict

ENOUGH = 4  # lights that can tell which of two sorts is the usual one
_RIGHT = 0.15  # roundness below that of comparable frames that is the frame's own fault
_DIP = 0.95  # the sky of twilight may dip so much from frame to frame
_TELLING = 10  # stars that give a width or a shape its meaning


def judge_lights(
    subjects: Sequence[Subject], limits: Mapping[str, float], fields: Fields, found: Found
) -> None:
    """Find faults of lights."""
    zero = {
        sensor(subjects[members[0]].info): float(
            np.median([subjects[i].sight.level for i in members])
        )
        for members in groups(subjects, (Kind.BIAS,), lambda s: sensor(s.info))
    }
    for members in groups(
        subjects, (Kind.LIGHT,),
        lambda s: (
            sensor(s.info), s.info.night, s.info.target, s.info.filter, same_exposure(s.info),
        ),
    ):  # fmt: skip
        series = _Series.of(subjects, members, zero.get(sensor(subjects[members[0]].info)))
        for place, i in enumerate(members):
            found[i] += _roundness(series, place, limits)
            if len(members) > 1:
                found[i] += _against_others(series, place, limits)
    for members in groups(
        subjects, (Kind.LIGHT,), lambda s: (s.info.camera, s.info.shape, s.info.target)
    ):
        _field(subjects, members, limits, fields, found)


@dataclass(frozen=True, slots=True)
class _Series:
    """Lights of one kind in order of time. Arrays run by frame; NaN where nothing was measured.

    sky : ADU above zero; None when no zero level is known. colours : sky by colour.
    """

    stars: Array
    fwhm: Array
    roundness: Array
    sky: Array | None
    colours: Mapping[str, Array]
    noise: Array

    @classmethod
    def of(cls, subjects: Sequence[Subject], members: Sequence[int], zero: float | None) -> _Series:
        sights = [subjects[i].sight for i in members]
        known = zero is not None or all(s.look.black_known for s in sights)
        base = zero or 0.0
        # Where a light's stars are not measured, the look's own counts stand in for all.
        measured = all("stars" in s.stars for s in sights)
        stars = [s.stars["stars"] if measured else float(s.look.stars) for s in sights]
        return cls(
            stars=np.array(stars),
            fwhm=np.array([s.stars.get("fwhm", np.nan) for s in sights]),
            roundness=np.array([s.stars.get("roundness", np.nan) for s in sights]),
            sky=np.array([s.level - base for s in sights]) if known else None,
            colours={
                name: np.array([s.colours[name] - base for s in sights])
                for name in sights[0].colours
            }
            if known
            else {},
            noise=np.array([s.look.noise for s in sights]),
        )

    def ratio(self, values: Array, place: int) -> float:
        """A frame's value over the median of comparable frames; NaN when either is not known or is 0."""
        others = np.delete(values, place)
        others = others[np.isfinite(others)]
        usual = float(np.median(others)) if len(others) else np.nan
        return float(values[place]) / usual if usual > 0 else np.nan


def _roundness(series: _Series, place: int, limits: Mapping[str, float]) -> list[Finding]:
    """Trailing: the axis ratio itself, and whether only this frame has it."""
    own = float(series.roundness[place])
    if not own < limits["trail_warn"] or series.stars[place] < _TELLING:
        return []
    others = np.delete(series.roundness, place)
    others = others[np.isfinite(others)]
    usual = float(np.median(others)) if len(others) else np.nan
    worse = np.isfinite(usual) and own < usual - _RIGHT
    bad = own < limits["trail"] and worse
    if not worse and own >= limits["trail"]:
        return []  # a lens that draws all stars a little long is no fault of the frame
    beside = (
        f"{usual:.2f} in comparable frames" if np.isfinite(usual) else "nothing to compare with"
    )
    return [
        Finding(
            "trailing", Verdict.SET_ASIDE if bad else Verdict.WARN,
            f"trailed stars: roundness {own:.2f} (minor/major axis), {beside}",
            own, limits["trail"] if bad else limits["trail_warn"],
        )
    ]  # fmt: skip


def _against_others(series: _Series, place: int, limits: Mapping[str, float]) -> list[Finding]:
    """Faults that show only beside other lights, the likeliest cause first."""
    stars = series.ratio(series.stars, place)
    sky = np.nan if series.sky is None else series.ratio(series.sky, place)
    if len(series.stars) >= ENOUGH and not (sky > limits["sky_warn"] and _rising(series, place)):
        other = _filter(series, place, stars, sky, limits)
        if other:
            return other
    lost = stars < limits["cloud"]
    blur = _blur(series, place, limits)
    if blur and (not lost or series.stars[place] >= _TELLING):
        return [*blur, *_sky(series, place, sky, limits)]
    cloud = _cloud(series, place, stars, sky, limits)
    return cloud if lost else [*cloud, *_sky(series, place, sky, limits)]


def _blur(series: _Series, place: int, limits: Mapping[str, float]) -> list[Finding]:
    blur = series.ratio(series.fwhm, place)
    if not blur > limits["blur_warn"]:
        return []
    bad = blur > limits["blur"]
    return [
        Finding(
            "focus", Verdict.SET_ASIDE if bad else Verdict.WARN,
            f"blurred stars: {series.fwhm[place]:.1f} px wide (FWHM), {blur:.2f} times "
            "those of comparable frames; out of focus, shaken or poor seeing", blur,
            limits["blur"] if bad else limits["blur_warn"],
        )
    ]  # fmt: skip


def _cloud(
    series: _Series, place: int, stars: float, sky: float, limits: Mapping[str, float]
) -> list[Finding]:
    if not stars < limits["cloud_warn"]:
        return []
    bad = stars < limits["cloud"]
    usual = float(np.median(np.delete(series.stars, place)))
    above = f", sky {sky:.2f} times theirs" if np.isfinite(sky) else ""
    return [
        Finding(
            "cloud", Verdict.SET_ASIDE if bad else Verdict.WARN,
            f"cloud: {series.stars[place]:.0f} stars where comparable frames show {usual:.0f} "
            f"({stars:.0%}){above}; dew or far out of focus look alike", stars,
            limits["cloud"] if bad else limits["cloud_warn"],
        )
    ]  # fmt: skip


def _sky(series: _Series, place: int, sky: float, limits: Mapping[str, float]) -> list[Finding]:
    if not sky > limits["sky_warn"]:
        return []
    if _rising(series, place):
        bad = sky > limits["twilight"]
        return [
            Finding(
                "twilight", Verdict.SET_ASIDE if bad else Verdict.WARN,
                f"twilight or moonlight: the sky is {sky:.1f} times that of comparable frames and rises towards "
                "this end of the lights", sky,
                limits["twilight"] if bad else limits["sky_warn"],
            )
        ]  # fmt: skip
    return [
        Finding(
            "sky", Verdict.WARN,
            f"bright sky: {sky:.1f} times that of comparable frames; cloud, moonlight or a lamp", sky,
            limits["sky_warn"],
        )
    ]  # fmt: skip


def _rising(series: _Series, place: int) -> bool:
    """Whether the sky brightens from the frame before this one to the first or last light."""
    sky = series.sky
    if sky is None:
        return False
    usual = float(np.median(np.delete(sky, place)))
    for way in (sky[place:], sky[place::-1]):
        if bool((way[1:] >= _DIP * way[:-1]).all()) and bool((way > usual).all()):
            return True
    return False


def _filter(
    series: _Series, place: int, stars: float, sky: float, limits: Mapping[str, float]
) -> list[Finding]:
    """Another filter: the sky's colour is another, or sky and stars are both off one way."""
    if series.sky is None or series.sky[place] < series.noise[place]:
        return []  # next to nothing to tell a colour from
    if len(series.colours) >= 3:
        off = {
            name: series.ratio(series.colours[name] / series.colours["G"], place)
            for name in ("R", "B")
        }
        name, factor = max(off.items(), key=lambda item: abs(np.log(max(item[1], 1e-9))))
        size = max(factor, 1 / max(factor, 1e-9))
        # Under cloud the colour is the town's.
        if size > limits["filter_colour"] and stars >= limits["cloud"]:
            colour = {"R": "red", "B": "blue"}[name]
            return [
                Finding(
                    "filter", Verdict.SET_ASIDE,
                    f"another filter: the sky's {colour} over green is {factor:.2f} times "
                    f"that of comparable frames ({limits['filter_colour']:g} times allowed)", factor,
                    limits["filter_colour"],
                )
            ]  # fmt: skip
        return []
    wider = sky > limits["filter_sky"] and stars > 1.2
    narrower = sky < 1 / limits["filter_sky"] and stars < 0.9
    if not (wider or narrower):
        return []
    return [
        Finding(
            "filter", Verdict.SET_ASIDE,
            f"another filter: the sky is {sky:.2f} times that of comparable frames, the stars {stars:.2f} times",
            sky, limits["filter_sky"],
        )
    ]  # fmt: skip


def _field(
    subjects: Sequence[Subject],
    members: Sequence[int],
    limits: Mapping[str, float],
    fields: Fields,
    found: Found,
) -> None:
    """Lights whose stars are not those of the others."""
    clusters = clustered(subjects, members, limits["field_stars"], fields)
    if not clusters:
        return
    able = sum(map(len, clusters))
    largest = max(clusters, key=len)
    for cluster in clusters:
        few = len(cluster) < OWN or len(cluster) <= limits["unlike_the_rest"] * able
        if cluster is largest or 2 * len(largest) <= able:
            continue
        for i in cluster:
            said = "" if few else "; if it is another target, say so in the notes"
            found[i].append(
                Finding(
                    "target", Verdict.SET_ASIDE if few else Verdict.WARN,
                    f"another star field than the {len(largest)} lights it should match{said}",
                    float(len(cluster)), limits["unlike_the_rest"] * able,
                )
            )  # fmt: skip
