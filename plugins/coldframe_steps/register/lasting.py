"""Hot pixels told from the lights themselves, where no dark tells them.

What the sensor makes stands out at one place of it in light after light; what the sky sends moves with
the stars, or is at least as wide as a star. So a place is hot where a pixel stands out alone, its
neighbours not, in more lights than noise explains.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy.stats import binom

from coldframe.frame import UNUSABLE, Array, Flag, Frame
from coldframe.step import Numbers, Row

OUT = 3.0
"""Sigma of a light from which a pixel counts as standing out; by noise 0.13% of the pixels do."""

BY_CHANCE = 0.002
"""Share of the pixels taken to stand out by noise alone: the normal 0.13%, and some for shot noise."""

FAR_OUT = 6.0
"""Sigma asked of lights that are too few to tell by their number."""

ALONE = 0.12
"""Of a pixel's excess, what its four neighbours may have on average to count as not lit. Of a star
with an FWHM of 1 px centred on a pixel they have 0.16, of a wider one more (pixel integrals of a
Gaussian); of a hot pixel 0."""

BAD = int(Flag.HOT | Flag.COLD | UNUSABLE)
MUTE = int(Flag.SATURATED | UNUSABLE)
"""Flags of a pixel beside which nothing tells whether another stands out alone: what it would have
is not known, and the corner of a clipped star's core stands out as sharply as a hot pixel does."""

DARK_TOLD = "hot_pixels"
"""A measure that lights have which were calibrated with a dark."""


def standing_out(frame: Frame) -> Numbers:
    """Pixels that stand out of a light on the sensor's own pixels, without a dark; else nothing.

    out_index : float64 (k,), places in the flattened frame. out_excess, out_beside : (k,), by how
    much they stand above the median of their same-colour neighbours, and the four pixels next to
    them on average above that of theirs; in sigma of such differences.
    """
    if DARK_TOLD in frame.measures or frame.data.ndim != 2 or min(frame.shape) < 16:
        return {}
    from coldframe_steps.calibrate.masters import Neighbourhood, excesses_above

    look = Neighbourhood(frame.data, None, frame.flags, int(UNUSABLE), frame.info.cfa)
    found = excesses_above(look, frame.shape, OUT)
    y, x = np.divmod(found.index, frame.shape[1])
    inside = (y > 0) & (x > 0) & (y < frame.shape[0] - 1) & (x < frame.shape[1] - 1)
    flags = frame.flags.ravel()
    inside &= (flags[found.index] & np.uint8(BAD)) == 0
    index, excess = found.index[inside], found.excess[inside]
    steps = np.array([-1, 1, -frame.shape[1], frame.shape[1]])[:, np.newaxis]
    told = ~np.any(flags[index + steps] & np.uint8(MUTE), axis=0)
    index, excess = index[told], excess[told]
    around = np.nan_to_num(look.excess((index + steps).ravel())[0]).reshape(steps.size, -1)
    beside = around.mean(axis=0, dtype=np.float64)
    sigma = max(found.sigma, 1e-9)
    return {
        "out_index": index.astype(np.float64),
        "out_excess": excess.astype(np.float64) / sigma,
        "out_beside": beside / sigma,
    }


def lasting(rows: Sequence[Row]) -> Numbers:
    """Hot pixels of each sensor among the lights.

    Returns
    -------
    hot_sensor : float64 (n,), which of the sensors each row is of. hot_of, hot_index : (k,), sensor
    and place in the flattened frame of every hot pixel. Nothing where every light has a dark.
    """
    told = [
        (row.info.camera, row.info.cfa, tuple(row.survey["shape"]))
        if "out_index" in row.survey
        else None
        for row in rows
    ]
    sensors = [sensor for sensor in dict.fromkeys(told) if sensor is not None]
    if not sensors:
        return {}
    of, index = [], []
    for number, sensor in enumerate(sensors):
        own = [row for row, one in zip(rows, told, strict=True) if one == sensor]
        places = _places([row.survey for row in own], int(np.prod(sensor[2])))
        of.append(np.full(places.size, float(number)))
        index.append(places)
    return {
        "hot_sensor": np.array(
            [-1.0 if one is None else float(sensors.index(one)) for one in told]
        ),
        "hot_of": np.concatenate(of),
        "hot_index": np.concatenate(index),
    }


def _places(surveys: Sequence[Numbers], pixels: int) -> Array:
    """Places that stand out alone, in more of one sensor's lights than noise explains."""
    index, excess, beside = (
        np.concatenate([survey[name] for survey in surveys])
        for name in ("out_index", "out_excess", "out_beside")
    )
    needed = least_lights(len(surveys), pixels)
    if needed > len(surveys):
        needed, far = len(surveys), excess > FAR_OUT
        index, excess, beside = index[far], excess[far], beside[far]
    places, which, counts = np.unique(index, return_inverse=True, return_counts=True)
    alone = np.bincount(which, beside, places.size) < ALONE * np.bincount(
        which, excess, places.size
    )
    return np.asarray(places[(counts >= needed) & alone])


def least_lights(lights: int, pixels: int) -> int:
    """In how many lights a place must stand out, for less than half a pixel by chance in a frame.

    The number of lights in which noise alone does is binomial. More than there are when even all
    would happen by chance.
    """
    counts = np.arange(1, lights + 1)
    chance = pixels * binom.sf(counts - 1, lights, BY_CHANCE)
    return int(np.argmax(chance < 0.5)) + 1 if chance[-1] < 0.5 else lights + 1


def faintest(lights: int, pixels: int) -> float:
    """Sigma of one light above which a hot pixel is found more often than not."""
    from scipy.special import ndtri

    needed = least_lights(lights, pixels)
    if needed > lights:
        return FAR_OUT
    # Half of all binomial counts lie above about lights x chance - 1/3 (median of the binomial).
    return OUT + float(ndtri(min(max((needed - 1 / 3) / (lights + 1 / 3), 1e-6), 1 - 1e-6)))


def repaired(frame: Frame, decision: Mapping[str, Array], row: int) -> Frame:
    """The light with its sensor's hot pixels flagged and estimated from their neighbours."""
    if "hot_sensor" not in decision or frame.data.ndim != 2:
        return frame
    index = decision["hot_index"][decision["hot_of"] == decision["hot_sensor"][row]]
    if decision["hot_sensor"][row] < 0:
        return frame
    from coldframe_steps.calibrate.neighbours import same_colour
    from coldframe_steps.kernels.pixels import readonly, repair_pixels

    places = index.astype(np.int64)
    data, flags = frame.data.astype(np.float32), frame.flags.copy()
    flags.ravel()[places] |= np.uint8(Flag.HOT)
    if places.size:
        repair_pixels(data, flags, BAD, readonly(same_colour(frame.info.cfa), np.int32), places)
    out = frame.with_pixels(data, flags).with_measures(hot_from_lights=float(places.size))
    line = f"register: {places.size} hot pixels told from the lights, repaired"
    return replace(out, history=(*frame.history, line))
