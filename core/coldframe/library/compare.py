"""Whether two masters of the same settings agree, by a test whose statistic is shown."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coldframe.facts import SENSOR_FACTS, fact
from coldframe.frame import UNUSABLE, Array, Frame, Kind
from coldframe.grouping import DEFAULT_TOLERANCES
from coldframe.interpolation import Doubling
from coldframe.library.entry import QUANTISATION, Entry

RARE = 1e-3
"""Two masters disagree when chance alone would make as large a difference this seldom."""

LEAST_SHAPE = 1e-3
"""rms of the difference of two flats' shapes below which it is of no consequence (0.1%)."""

LEAST_SPOT = 5e-3
"""Difference of one block below which it is of no consequence (0.5%): a few pixels can do that."""

BLOCK = 16
"""px; flats are compared in blocks of this side, an even number, so that CFA colours balance."""

WELCH = "Welch's t (B. L. Welch 1947, Biometrika 34, 28; NIST/SEMATECH e-Handbook 7.3.1)"
CHI2 = (
    "chi-squared of block means (NIST/SEMATECH e-Handbook 1.3.6.6.6), and the farthest block after "
    "Bonferroni (e-Handbook 7.4.7.3)"
)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one test says. difference : in `unit`; freedom : degrees of freedom; p : two-sided
    for t, upper tail for chi-squared."""

    other: str
    label: str
    test: str
    statistic: float
    freedom: float
    p: float
    difference: float
    unit: str
    disagrees: bool
    words: str


def same_settings(a: Entry, b: Entry) -> bool:
    """Whether two masters should be alike: kind, sensor, ISO or gain, exposure, temperature; for
    flats optics and filter."""
    if a.kind is not b.kind or a.key == b.key:
        return False
    names: tuple[str, ...] = SENSOR_FACTS
    if a.kind is Kind.FLAT:
        names += ("optics", "filter", "aperture", "focal_length")
    else:
        names += ("iso", "gain_setting", "offset")
        if a.kind is not Kind.BIAS:
            names += ("exposure", "temperature")
    return all(_alike(name, fact(a.info, name), fact(b.info, name)) for name in names)


def _alike(name: str, mine: object, theirs: object) -> bool:
    if not isinstance(mine, int | float) or not isinstance(theirs, int | float):
        return mine == theirs
    tolerance = DEFAULT_TOLERANCES.get(name, 0.0)
    span = tolerance if name == "temperature" else tolerance * max(abs(mine), abs(theirs))
    return abs(mine - theirs) <= span


def welch(a: Sequence[float], b: Sequence[float], expected: float = 0.0) -> tuple[float, ...]:
    """Statistic t, its degrees of freedom (Welch-Satterthwaite) and two-sided p.

    a, b : levels of the frames of each master, two or more. expected : mean of b less mean of a
    that the settings explain. No spread is taken below that of rounding to whole numbers.
    """
    from scipy.stats import t as student

    means, squares = [], []
    for values in (a, b):
        x = np.asarray(values, float)
        means.append(float(x.mean()))
        squares.append(max(float(x.std(ddof=1)), QUANTISATION) ** 2 / len(x))
    statistic = (means[1] - means[0] - expected) / math.sqrt(sum(squares))
    freedom = sum(squares) ** 2 / sum(
        s**2 / (len(v) - 1) for s, v in zip(squares, (a, b), strict=True)
    )
    return statistic, freedom, float(2 * student.sf(abs(statistic), freedom))


def compare_levels(a: Entry, b: Entry, doubling: Doubling | None, rate: float) -> Verdict | None:
    """Whether the frames of two bias, dark or dark-flat masters have one level.

    rate : dark current of `a`, ADU/s, 0 if unknown; with `doubling` it tells how much of the
    difference the temperatures explain. None when one has a single frame, or levels are unknown.
    """
    if len(a.levels) < 2 or len(b.levels) < 2:
        return None
    expected, note = 0.0, ""
    warm, cold = b.info.temperature, a.info.temperature
    if a.kind is not Kind.BIAS and warm is not None and cold is not None and warm != cold:
        if doubling is not None and rate > 0:
            growth = 2 ** ((warm - cold) / doubling.degrees) - 1
            expected = rate * (a.info.exposure or 0.0) * growth
            note = f"; their temperatures explain {expected:+.2f} ADU of it"
        else:
            note = f"; it is {warm - cold:+.1f} °C warmer, which may explain it"
    t, freedom, p = welch(a.levels, b.levels, expected)
    difference = float(np.mean(b.levels) - np.mean(a.levels))
    bad = p < RARE
    words = (
        f"{'disagrees with' if bad else 'agrees with'} {b.id} ({b.label}): its level is "
        f"{difference:+.2f} ADU from this one's{note}; t = {t:.2f}, {freedom:.0f} degrees of "
        f"freedom, p = {p:.2g}"
    )
    return Verdict(b.key, b.label, WELCH, t, freedom, p, difference, "ADU", bad, words)


def compare_shapes(a: Entry, b: Entry, first: Frame, second: Frame) -> Verdict | None:
    """Whether two flats have one shape: each over its level, block by block.

    None when a flat has no variance plane, or no block of usable pixels.
    """
    found = shape_test(first, second)
    if found is None:
        return None
    all_over = found.p < RARE and found.rms > LEAST_SHAPE
    spot = found.p_farthest < RARE and found.farthest > LEAST_SPOT
    bad = all_over or spot
    words = (
        f"{'disagrees with' if bad else 'agrees with'} {b.id} ({b.label}): their shapes differ by "
        f"{100 * found.rms:.2f}% rms, chi-squared = {found.chi2:.0f}, {found.freedom} degrees of "
        f"freedom, p = {found.p:.2g}; the farthest block is {100 * found.farthest:.2f}% off, "
        f"z = {found.z:.1f}, p = {found.p_farthest:.2g}" + ("; has dust moved?" if bad else "")
    )
    return Verdict(
        b.key, b.label, CHI2, found.chi2, found.freedom, found.p, 100 * found.rms, "%", bad, words
    )


@dataclass(frozen=True, slots=True)
class Shapes:
    """How two flats' shapes differ. rms (beyond noise) and farthest are fractions of the level;
    z is the farthest block's difference over its error, p_farthest its chance among all blocks."""

    chi2: float
    freedom: int
    p: float
    rms: float
    farthest: float
    z: float
    p_farthest: float


def shape_test(a: Frame, b: Frame) -> Shapes | None:
    """Block means of a/level(a) - b/level(b), each over its error from the variance planes.

    One degree of freedom is taken by the levels. None when there is nothing to compare.
    """
    from scipy.stats import chi2 as chi
    from scipy.stats import norm

    if "variance" not in a.planes or "variance" not in b.planes or a.data.shape != b.data.shape:
        return None
    good = ((a.flags | b.flags) & UNUSABLE) == 0
    parts = []
    for frame in (a, b):
        level = float(np.mean(frame.data[..., good], dtype=np.float64)) if good.any() else 0.0
        if level <= 0:
            return None
        parts.append((frame.data / level, frame.planes["variance"] / level**2))
    number = _blocks(good.astype(np.float64))
    use = number >= BLOCK * BLOCK / 2
    if use.sum() < 2:
        return None
    difference = _blocks(np.where(good, parts[1][0] - parts[0][0], 0.0))[use] / number[use]
    variance = _blocks(np.where(good, parts[0][1] + parts[1][1], 0.0))[use] / number[use] ** 2
    if not (variance > 0).all():
        return None
    difference -= np.average(difference, weights=1 / variance)
    chi2 = float(np.sum(difference**2 / variance))
    freedom = int(use.sum()) - 1
    excess = float(np.mean(difference**2) - np.mean(variance))
    errors = np.sqrt(variance)
    worst = int(np.argmax(np.abs(difference)))
    z = float(abs(difference[worst]) / errors[worst])
    return Shapes(
        chi2,
        freedom,
        float(chi.sf(chi2, freedom)),
        math.sqrt(max(0.0, excess)),
        float(abs(difference[worst])),
        z,
        min(1.0, float(2 * norm.sf(z)) * difference.size),
    )


def _blocks(image: Array) -> Array:
    """Sums over whole blocks; what is left over at the right and at the bottom is not used."""
    height, width = (size // BLOCK * BLOCK for size in image.shape[-2:])
    cut = image[:height, :width].astype(np.float64)
    sums: Array = cut.reshape(height // BLOCK, BLOCK, width // BLOCK, BLOCK).sum(axis=(1, 3))
    return sums
