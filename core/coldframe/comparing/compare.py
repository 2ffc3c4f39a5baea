"""Compares the stacks of two runs, figure by figure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from coldframe.comparing.bootstrap import REPEATS, draws, interval, standard_errors
from coldframe.comparing.figures import Comparison, Figure
from coldframe.comparing.folder import Recombined, Result, RunFolder, how_stacked, picture_of
from coldframe.comparing.resample import STARS, Pieces, read_parts
from coldframe.comparing.sky import (
    STAR,
    box_noise,
    grey,
    sky_boxes,
    sky_mask,
    star_excess,
    surface_range,
)
from coldframe.comparing.stars import Shared, corners, measure, share_stars, windows
from coldframe.errors import ColdframeError, UsageError
from coldframe.frame import Array, Frame

SAMPLES = 4_000_000_000
"""Samples stacked in all resamples together; of long nights fewer resamples are made, but
no fewer than `FEWEST`."""
FEWEST = 50

LEAST_LIGHTS = 3
PARTS = 4
"""Parts of the field along each side that the noise is measured in apart."""


BLOCK = 3
"""Boxes along the side of the blocks of sky that are resampled, so that what spans boxes counts."""

SEED = 20
Watch = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Compared:
    """A comparison with the pictures it was made of, on their own grids.

    flux : light of a star in B over that in A.
    """

    comparison: Comparison
    a: Frame
    b: Frame
    shared: Shared
    flux: float


def shared_results(a: RunFolder, b: RunFolder) -> list[tuple[Result, Result]]:
    """The stacks of the same target and filter. Raises UsageError when there are none."""
    pairs = [(a.results[key], b.results[key]) for key in a.results if key in b.results]
    if not pairs and len(a.results) == len(b.results) == 1:
        (one,), (two,) = a.results.values(), b.results.values()
        # A target that only one run knows by name may well be the same; stars will tell.
        if one.filter == two.filter and not (one.target and two.target):
            return [(one, two)]
    if not pairs:
        names = [", ".join(r.name for r in run.results.values()) for run in (a, b)]
        raise UsageError(
            f"the runs have no target and filter in common: {a.folder} has {names[0]}; "
            f"{b.folder} has {names[1]}"
        )
    return pairs


def compare(
    runs: tuple[RunFolder, RunFolder],
    results: tuple[Result, Result],
    *,
    repeats: int = REPEATS,
    workers: int = 1,
    watch: Watch | None = None,
) -> Compared:
    """Compare two stacks of one field.

    watch : called with (resamples done, resamples in all), from any thread.

    Raises UsageError when they are of different fields, ColdframeError when pixels are gone.
    """
    a, b = (picture_of(run, result) for run, result in zip(runs, results, strict=True))
    shared = share_stars(a, b)
    cuts = [windows(f, p) for f, p in ((a, shared.first), (b, shared.second))]
    (light_a, width_a), (light_b, width_b) = (measure(cut) for cut in cuts)
    flux = float(np.nanmedian(light_b / light_a))
    if not np.isfinite(flux):
        raise ColdframeError("no star that both stacks have could be measured")
    excess = [star_excess(frame) for frame in (a, b)]
    # One limit for both, in common units, so that the deeper one does not hide more stars.
    above = STAR * max(excess[0][1], excess[1][1] / flux)
    masks = [
        sky_mask(frame, found[0], above * scale)
        for frame, found, scale in zip((a, b), excess, (1.0, flux), strict=True)
    ]
    noise = [box_noise(grey(f.channels), m) for f, m in zip((a, b), masks, strict=True)]
    noise[1] /= flux
    flat, flat_error, blocks = _flatness(a, b, flux)
    unit = min(noise)
    width = float(np.nanmedian(np.log(width_a / width_b)))
    inside = tuple(set(result.lights) for result in results)
    notes = _notes(inside, shared)
    how = [how_stacked(run, result) for run, result in zip(runs, results, strict=True)]
    errors, members, why = np.full(2, np.nan), 0, ""
    if all(isinstance(one, Recombined) for one in how):
        usable = _usable_stars(shared, (light_a, width_a, light_b, width_b), a.shape, b.shape)
        places = shared.first[usable], shared.second[usable]
        errors, members, why = _errors(runs, how, masks, places, repeats, workers, watch)
    else:
        why = "; ".join(one for one in how if isinstance(one, str))
    if why:
        notes.append(f"No interval for depth and sharpness: {why}.")
    gain = float(np.log(noise[0] / noise[1]))
    # What is told of the field by a part of it, besides what the lights tell.
    places = np.hypot(_noise_error(a, b, masks), _median_error(np.log(light_b / light_a)))
    errors = np.hypot(errors, [places, _median_error(np.log(width_a / width_b))])
    figures = (
        Figure(
            "deeper", "noise of the sky in a box of 8 x 8 px, at equal star light", "ADU",
            noise[0], noise[1], gain, interval(gain, errors[0], members),
        ),
        Figure(
            "sharper", "FWHM of the same stars", "px",
            float(np.nanmedian(width_a)), float(np.nanmedian(width_b)), width,
            interval(width, errors[1], members),
        ),
        Figure(
            "flatter", "large-scale gradient of the sky, in units of the lower noise", "ratio",
            flat[0] / unit, flat[1] / unit, float(np.log(flat[0] / flat[1])),
            interval(float(np.log(flat[0] / flat[1])), flat_error, blocks),
        ),
    )  # fmt: skip
    counts = len(inside[0]), len(inside[1]), len(inside[0] & inside[1])
    comparison = Comparison(results[0].name, counts, len(shared.first), figures, notes)
    return Compared(comparison, a, b, shared, flux)


def _notes(inside: Sequence[set[str]], shared: Shared) -> list[str]:
    notes = []
    if not inside[0] & inside[1]:
        notes.append(
            "No light is in both: what differs is the night's sky as much as the processing."
        )
    elif inside[0] != inside[1]:
        for name, own, other in (("A", inside[0], inside[1]), ("B", inside[1], inside[0])):
            if own - other:
                notes.append(f"{len(own - other)} of the lights of {name} are not in the other.")
    if not shared.same_grid:
        notes.append("The stacks have different reference frames; B was laid on A by its stars.")
    return notes


def _usable_stars(shared: Shared, measured: Sequence[Array], *shapes: tuple[int, int]) -> Array:
    """Places of `STARS` stars, spread over all brightnesses, that can be measured in both."""
    good = np.isfinite(np.stack(measured)).all(axis=0)
    for places, shape in zip((shared.first, shared.second), shapes, strict=True):
        good &= corners(places, shape)[1]
    found = np.flatnonzero(good)
    return found[np.unique(np.linspace(0, len(found) - 1, min(STARS, len(found))).astype(int))]


def _errors(
    runs: Sequence[RunFolder],
    how: Sequence[Recombined | str],
    masks: Sequence[Array],
    places: Sequence[Array],
    repeats: int,
    workers: int,
    watch: Watch | None,
) -> tuple[Array, int, str]:
    """Standard errors of the gains in depth and sharpness, the fewest lights, why there are none."""
    parts: list[Pieces] = []
    index: list[dict[str, int]] = []
    for run, one, mask, place in zip(runs, how, masks, places, strict=True):
        assert isinstance(one, Recombined)
        try:
            first = run.store.bands(run.store.get(one.decision).rows[0])  # type: ignore[union-attr]
            if (first.height, first.width) != mask.shape:
                return np.full(2, np.nan), 0, f"the result of {run.name} is not on its stack's grid"
            parts.append(read_parts(run.store, one, mask, corners(place, mask.shape)[0]))
        except ColdframeError as error:
            return np.full(2, np.nan), 0, str(error)
        index.append({name: i for i, name in enumerate(one.lights)})
    names = sorted({*index[0], *index[1]})
    strata = [
        [i for i, name in enumerate(names) if (name in index[0], name in index[1]) == kind]
        for kind in ((True, True), (True, False), (False, True))
    ]
    fewest = min(map(len, index))
    if fewest < LEAST_LIGHTS:
        return np.full(2, np.nan), 0, f"{fewest} lights are too few to draw from"
    repeats = min(repeats, max(FEWEST, SAMPLES // sum(part.size for part in parts)))
    resamples = draws(strata, repeats, np.random.default_rng(SEED))
    where = [np.array([lights.get(name, -1) for name in names]) for lights in index]
    stars = len(places[0])

    def gains(drawn: Array) -> Array:
        one, two = (
            part.figures(place[drawn][place[drawn] >= 0])
            for part, place in zip(parts, where, strict=True)
        )
        apart = one - two
        light, width = apart[1 : 1 + stars], apart[1 + stars :]
        return np.array([apart[0] - np.nanmedian(light), np.nanmedian(width)])

    done = 0

    def told(drawn: Array) -> Array:
        nonlocal done
        found = gains(drawn)
        done += 1
        if watch is not None:
            watch(done, repeats)
        return found

    with ThreadPoolExecutor(workers) as pool:
        values = np.array(list(pool.map(told, resamples)))
    return standard_errors(values, fewest), fewest, ""


def _noise_error(a: Frame, b: Frame, masks: Sequence[Array]) -> float:
    """Error of ln of the ratio of the noises for being measured in a part of the sky: the scatter
    over parts of the field, by the square root of their number."""
    logs = []
    for frame, mask in zip((a, b), masks, strict=True):
        image = grey(frame.channels)
        rows, columns = (np.linspace(0, size, PARTS + 1).astype(int) for size in frame.shape)
        parts = [
            np.s_[rows[j] : rows[j + 1], columns[i] : columns[i + 1]]
            for j in range(PARTS)
            for i in range(PARTS)
        ]
        with np.errstate(divide="ignore"):
            logs.append(np.log([box_noise(image[part], mask[part]) for part in parts]))
    apart = logs[0] - logs[1]
    apart = apart[np.isfinite(apart)]
    return float(apart.std(ddof=1) / np.sqrt(apart.size)) if apart.size > 1 else float("nan")


def _median_error(values: Array) -> float:
    """Bootstrap standard error of a median over stars."""
    known = values[np.isfinite(values)]
    resamples = draws([range(known.size)], REPEATS, np.random.default_rng(SEED))
    medians = np.array([[np.median(known[drawn])] for drawn in resamples])
    return float(standard_errors(medians, known.size)[0])


def _flatness(a: Frame, b: Frame, flux: float) -> tuple[tuple[float, float], float, int]:
    """The range of each smooth sky in A's units; the error of ln of their ratio; blocks."""
    levels = sky_boxes(a), sky_boxes(b) / flux
    values = surface_range(levels[0]), surface_range(levels[1])
    if levels[0].shape != levels[1].shape:
        return values, float("nan"), 0
    number = np.arange(levels[0].size).reshape(levels[0].shape)
    down, across = levels[0].shape
    blocks = [
        number[j : j + BLOCK, i : i + BLOCK].ravel()
        for j in range(0, down, BLOCK)
        for i in range(0, across, BLOCK)
    ]

    chosen = [
        np.concatenate([blocks[i] for i in drawn])
        for drawn in draws([range(len(blocks))], REPEATS, np.random.default_rng(SEED))
    ]
    ranges = np.array([[surface_range(level, one) for level in levels] for one in chosen])
    errors = standard_errors(np.log(ranges[:, :1] / ranges[:, 1:]), len(blocks))
    return values, float(errors[0]), len(blocks)
