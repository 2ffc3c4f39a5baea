"""Darks and biases: light in them, and settings unlike those of comparable frames."""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Mapping, Sequence
from pathlib import Path

import numpy as np

from coldframe.facts import exposure_text
from coldframe.frame import Array, FrameInfo, Kind
from coldframe.vetting.compare import (
    Found,
    Subject,
    groups,
    same_exposure,
    sensor,
    smooth,
    swing,
    unlike,
    usual,
)
from coldframe.vetting.verdict import Finding, Verdict

DARK = (Kind.DARK, Kind.DARK_FLAT)
_SPAN = 0.3  # °C of doubt for each °C from comparable frames: cameras double at 5 to 8 °C
_UNKNOWN = 10.0  # °C that darks without a temperature may differ by
_CELLS = 8.0  # standard errors: of hundreds of cells the extremes are some 6 apart, twice over
_SHORTEST = 1.5  # times the shortest exposure is still the shortest, as cameras round


def judge_darks(subjects: Sequence[Subject], limits: Mapping[str, float], found: Found) -> None:
    """Find faults of darks, dark flats and biases."""
    zero = _zero_levels(subjects)
    pattern: dict[Hashable, Array] = {
        sensor(subjects[members[0]].info): np.median(
            [subjects[i].sight.grid for i in members], axis=0
        )
        for members in groups(subjects, (Kind.BIAS,), lambda s: sensor(s.info))
    }
    for members in groups(subjects, (*DARK, Kind.BIAS), lambda s: (sensor(s.info), s.info.kind)):
        _level(subjects, members, zero, limits, found)
    for members in groups(
        subjects, (*DARK, Kind.BIAS),
        lambda s: (sensor(s.info), s.info.kind, same_exposure(s.info)),
    ):  # fmt: skip
        _gradient(subjects, members, pattern, limits, found)
    _tint(subjects, zero, limits, found)
    _bias_exposure(subjects, limits, found)
    _odd_ones(subjects, limits, found)


def _zero_levels(subjects: Sequence[Subject]) -> dict[Hashable, Mapping[str, float]]:
    """Level without any exposure by sensor settings and colour, from the biases; else the black
    level. A colour or sensor that is not there is not known."""
    out: dict[Hashable, Mapping[str, float]] = {}
    for members in groups(subjects, (Kind.BIAS,), lambda s: sensor(s.info)):
        sights = [subjects[i].sight for i in members]
        out[sensor(subjects[members[0]].info)] = {
            name: float(np.median([s.colours[name] for s in sights])) for name in sights[0].colours
        }
    for subject in subjects:
        if subject.sight.look.black_known:
            out.setdefault(sensor(subject.info), dict.fromkeys(subject.sight.colours, 0.0))
    return out


def _level(
    subjects: Sequence[Subject],
    members: Sequence[int],
    zero: Mapping[Hashable, Mapping[str, float]],
    limits: Mapping[str, float],
    found: Found,
) -> None:
    """A level above what exposure and temperature allow, going by comparable frames."""
    infos = [subjects[i].info for i in members]
    own_zero = zero.get(sensor(infos[0]))
    levels = np.array([subjects[i].sight.level for i in members])
    noise = np.array([subjects[i].sight.look.noise for i in members])
    slack = limits["leak_level"] * noise
    if infos[0].kind is Kind.BIAS:
        base = 0.0 if own_zero is None else float(np.mean(list(own_zero.values())))
        allowed = np.median(levels) + slack
    elif own_zero is None:
        base = 0.0
        allowed = _as_they_are(infos, levels, limits["temperature_gap"]) + 2 * slack
    elif all(info.exposure for info in infos):
        base = float(np.mean(list(own_zero.values())))
        expected, doubt = _expected_dark(infos, levels - base, limits["dark_doubling"])
        growth = 2 ** ((doubt + limits["dark_temperature_error"]) / limits["dark_doubling"])
        allowed = base + np.maximum(expected * growth, expected) + slack
    else:
        return
    for i, level, most in zip(members, levels, allowed, strict=True):
        if len(members) >= 3 and level > most:
            what = "bias" if subjects[i].info.kind is Kind.BIAS else "dark"
            shot = "" if what == "bias" else f" for {_shot(subjects[i].info)}"
            above = "" if own_zero is None else " above zero"
            found[i].append(
                Finding(
                    "leak", Verdict.SET_ASIDE,
                    f"light in a {what}: its level is {level - base:.1f} ADU{above}, and "
                    f"comparable frames allow {most - base:.1f} ADU{shot}", float(level - base), float(most - base),
                )
            )  # fmt: skip


def _as_they_are(infos: Sequence[FrameInfo], levels: Array, gap: float) -> Array:
    """The median level of frames of like exposure and temperature, where zero is not known.

    Infinite where fewer than three, the frame among them, are alike.
    """
    out = np.full(len(infos), np.inf)
    for place, own in enumerate(infos):
        if own.temperature is None:
            continue  # a sensor that warms up is no leak
        alike = [
            i
            for i, info in enumerate(infos)
            if same_exposure(info) == same_exposure(own)
            and info.temperature is not None
            and abs(info.temperature - own.temperature) <= gap
        ]
        if len(alike) >= 3:
            out[place] = np.median(levels[alike])
    return out


def _expected_dark(
    infos: Sequence[FrameInfo], signals: Array, doubling: float
) -> tuple[Array, Array]:
    """(dark signal that the median rate of comparable frames gives each frame, its doubt in °C).

    Dark current doubles every so many °C (Widenhorn et al. 2002, Proc. SPIE 4669, 193).
    """
    seconds = np.array([info.exposure for info in infos], dtype=np.float64)
    known = [info.temperature for info in infos]
    if all(t is not None for t in known):
        warmth = np.array(known, dtype=np.float64)
        middle = float(np.median(warmth))
        doubt = _SPAN * np.abs(warmth - middle)
    else:
        warmth, middle, doubt = np.zeros(len(infos)), 0.0, np.full(len(infos), _UNKNOWN)
    growth = seconds * 2 ** ((warmth - middle) / doubling)
    # Rates of longer exposures are known better; dark current sets the level only in those.
    long = seconds >= 0.3 * seconds.max()
    rate = float(np.median((signals / growth)[long]))
    return rate * growth, doubt


def _shot(info: FrameInfo) -> str:
    words = "exposure unknown" if info.exposure is None else exposure_text(info.exposure)
    return words if info.temperature is None else f"{words} at {info.temperature:.1f} °C"


def _gradient(
    subjects: Sequence[Subject],
    members: Sequence[int],
    pattern: Mapping[Hashable, Array],
    limits: Mapping[str, float],
    found: Found,
) -> None:
    """A shape unlike that of comparable frames.

    pattern : by sensor, the biases' map: what does not grow with dark current.
    """
    if len(members) < 3:
        return
    still = pattern.get(sensor(subjects[members[0]].info))
    base = np.zeros(1) if still is None else still
    grids = np.stack([smooth(subjects[i].sight.grid - base) for i in members])
    for i, grid in zip(members, grids, strict=True):
        sight = subjects[i].sight
        comparable = _comparable(subjects, members, grids, i, limits, still is not None)
        if comparable is None:
            continue
        height = swing(unlike(grid, comparable))
        # 3 x 3 cells share out their errors; the median of the others brings as much again at most.
        limit = limits["leak_gradient"] * sight.look.noise + _CELLS * sight.error * 1.5 / 3
        if height > limit:
            what = "bias" if subjects[i].info.kind is Kind.BIAS else "dark"
            found[i].append(
                Finding(
                    "leak", Verdict.SET_ASIDE,
                    f"light in a {what}: a gradient of {height:.1f} ADU that "
                    f"comparable frames do not have ({limit:.1f} allowed)", height, limit,
                )
            )  # fmt: skip


def _comparable(
    subjects: Sequence[Subject],
    members: Sequence[int],
    grids: Array,
    own: int,
    limits: Mapping[str, float],
    zeroed: bool,
) -> Array | None:
    """Usual map of the members: of those as warm, if there are three of them, else of all.

    zeroed : the biases' map is taken off. Where it is not, a dark of another temperature has
    another share of it, and nothing can be told (None).
    """
    warmth = subjects[own].info.temperature
    alike = [
        place
        for place, i in enumerate(members)
        if warmth is not None
        and (t := subjects[i].info.temperature) is not None
        and abs(t - warmth) <= limits["temperature_gap"]
    ]
    if len(alike) < 3:
        if warmth is not None and not zeroed:
            return None
        alike = list(range(len(members)))
    return usual(grids[alike], alike.index(members.index(own)))


def _tint(
    subjects: Sequence[Subject],
    zero: Mapping[Hashable, Mapping[str, float]],
    limits: Mapping[str, float],
    found: Found,
) -> None:
    """Colour: dark current has none, light through the CFA has."""
    for i, subject in enumerate(subjects):
        own_zero = zero.get(sensor(subject.info))
        colours = subject.sight.colours
        if subject.info.kind not in DARK or own_zero is None or len(colours) < 3:
            continue
        signals = [colours[name] - own_zero.get(name, 0.0) for name in colours]
        tint = max(signals) - min(signals)
        limit = limits["leak_tint"] * max(float(np.mean(signals)), 0.0)
        limit += 0.3 * limits["leak_level"] * subject.sight.look.noise
        if tint > limit:
            found[i].append(
                Finding(
                    "leak", Verdict.SET_ASIDE,
                    f"light in a dark: its colours differ by {tint:.1f} ADU, and dark current has "
                    f"no colour ({limit:.1f} allowed)", tint, limit,
                )
            )  # fmt: skip


def _bias_exposure(subjects: Sequence[Subject], limits: Mapping[str, float], found: Found) -> None:
    for members in groups(subjects, (Kind.BIAS,), lambda s: s.info.camera):
        times = [subjects[i].info.exposure for i in members]
        known = [t for t in times if t is not None]
        if not known:
            continue
        shortest = min(known)
        for i, seconds in zip(members, times, strict=True):
            if seconds is None:
                continue
            own = exposure_text(seconds)
            if seconds > limits["bias_exposure"]:
                found[i].append(
                    Finding(
                        "bias exposure", Verdict.SET_ASIDE,
                        f"a bias is shot at the shortest exposure, this one at {own} "
                        f"({exposure_text(limits['bias_exposure'])} allowed)",
                        seconds, limits["bias_exposure"],
                    )
                )  # fmt: skip
            elif seconds > _SHORTEST * shortest:
                found[i].append(
                    Finding(
                        "bias exposure", Verdict.WARN,
                        f"a bias is shot at the shortest exposure, this one at {own}; the camera "
                        f"made {exposure_text(shortest)}", seconds, shortest,
                    )
                )  # fmt: skip


def _odd_ones(subjects: Sequence[Subject], limits: Mapping[str, float], found: Found) -> None:
    """Darks of another gain, exposure or temperature than the others of their folder."""
    wanted = {_settings(s.info) for s in subjects if s.info.kind is Kind.LIGHT}
    wanted_flats = {_settings(s.info) for s in subjects if s.info.kind is Kind.FLAT}
    for members in groups(
        subjects, (*DARK, Kind.BIAS),
        lambda s: (str(Path(s.info.path).parent), s.info.kind, s.info.camera),
    ):  # fmt: skip
        most = limits["unlike_the_rest"] * len(members)
        counts = Counter(_settings(subjects[i].info) for i in members)
        most_used, _ = counts.most_common(1)[0]
        for i in members:
            info = subjects[i].info
            own = _settings(info)
            serves = wanted_flats if info.kind is Kind.DARK_FLAT else wanted
            if info.kind is Kind.BIAS:
                # Biases of each gain in use are wanted, whatever else lies in the folder.
                continue
            if own == most_used or counts[own] > most or own in serves:
                continue
            found[i].append(
                Finding(
                    "settings", Verdict.SET_ASIDE,
                    f"a dark at {_words(own)} among {counts[most_used]} at {_words(most_used)} in its "
                    "folder, and no light was shot so", float(counts[own]), most,
                )
            )  # fmt: skip
        _odd_temperatures(subjects, members, limits, found)


def _settings(info: FrameInfo) -> tuple[float | None, float | None]:
    gain = float(info.iso) if info.iso is not None else info.gain_setting
    return gain, same_exposure(info)


def _words(settings: tuple[float | None, float | None]) -> str:
    gain, exposure = settings
    parts = [] if gain is None else [f"ISO or gain {gain:g}"]
    parts += [] if exposure is None else [exposure_text(exposure)]
    return ", ".join(parts) or "unknown settings"


def _odd_temperatures(
    subjects: Sequence[Subject],
    members: Sequence[int],
    limits: Mapping[str, float],
    found: Found,
) -> None:
    """Darks far in temperature from all others of the same settings in their folder."""
    for own in {_settings(subjects[i].info) for i in members}:
        alike = [
            (t, i)
            for i in members
            if _settings(subjects[i].info) == own
            and subjects[i].info.kind is not Kind.BIAS
            and (t := subjects[i].info.temperature) is not None
        ]
        alike.sort()
        clusters: list[list[tuple[float, int]]] = []
        for t, i in alike:
            if clusters and t - clusters[-1][-1][0] <= limits["temperature_gap"]:
                clusters[-1].append((t, i))
            else:
                clusters.append([(t, i)])
        if len(clusters) < 2:
            continue
        largest = max(clusters, key=len)
        middle = float(np.median([t for t, _ in largest]))
        for cluster in clusters:
            if cluster is largest or len(cluster) > limits["unlike_the_rest"] * len(alike):
                continue
            for t, i in cluster:
                found[i].append(
                    Finding(
                        "settings", Verdict.SET_ASIDE,
                        f"a dark at {t:.1f} °C among {len(largest)} at {middle:.1f} °C in its "
                        "folder", t, middle,
                    )
                )  # fmt: skip
