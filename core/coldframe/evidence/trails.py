"""Probe: trails that were rejected, each with the light that had it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from coldframe.errors import SetAside
from coldframe.evidence.probes import alive
from coldframe.frame import Array
from coldframe.specs import ProbeTask, need
from coldframe.step import Numbers
from coldframe.store import Store

MOST = 8
LEAST = 40  # px long
NARROW = 0.15  # width over length
WINDOW = (240, 360)  # px of the picture of a trail


@dataclass(frozen=True, slots=True)
class Trail:
    """A straight patch of rejected pixels. middle, length : px. angle : deg from the rows, towards
    lower rows. place, patch : where it is."""

    middle: tuple[float, float]
    length: float
    angle: float
    place: tuple[slice, slice]
    patch: Array

    def inside(self, window: tuple[slice, slice]) -> Array:
        """Its pixels in a window of the frame, bool."""
        out = np.zeros(tuple(s.stop - s.start for s in window), bool)
        low = [max(p.start, w.start) for p, w in zip(self.place, window, strict=True)]
        high = [min(p.stop, w.stop) for p, w in zip(self.place, window, strict=True)]
        mine, there = (
            tuple(slice(a - s.start, b - s.start) for a, b, s in zip(low, high, of, strict=True))
            for of in (self.place, window)
        )
        out[there] = self.patch[mine]
        return out


def probe(spec: ProbeTask, store: Store) -> Numbers:
    """frame : (n,), place of the trail's light among the stack's. middle : (n, 2), length, angle :
    (n,), see `Trail`. excess : (n,), ADU, how far the trail stands above the sky beside it.
    light K, stack K : (colours, h, w), the window about the middle of trail K in both.

    Raises SetAside when the stack does not tell what was rejected.
    """
    stacks = alive(store, spec.keys["stack"])
    stack = store.frame(stacks[0]) if stacks else None
    if stack is None or "high" not in stack.planes:
        raise SetAside("the stack does not tell what was rejected")
    high = stack.planes["high"]
    rejected = high if high.ndim == 2 else high.sum(axis=0)
    keys = need(store, spec.keys["decision"][0]).rows
    out: dict[str, Array] = {}
    rows = []
    for trail in find_trails(np.asarray(rejected)):
        top, left, height, width = _window(trail, stack.shape)
        cut = np.s_[:, top : top + height, left : left + width]
        frame, excess = _whose(store, keys, trail.inside(cut[1:]), cut[1:])
        number = len(rows)
        out[f"stack {number}"] = stack.channels[cut].astype(np.float64)
        out[f"light {number}"] = _read(store, keys[frame], top, height)[:, :, left : left + width]
        rows.append((frame, *trail.middle, trail.length, trail.angle, excess))
    table = np.array(rows, np.float64).reshape(-1, 6)
    return {
        "frame": table[:, 0],
        "middle": table[:, 1:3],
        "length": table[:, 3],
        "angle": table[:, 4],
        "excess": table[:, 5],
        **out,
    }


def find_trails(rejected: Array) -> list[Trail]:
    """The longest straight narrow patches of rejected pixels (y, x), longest first.

    Patches that touch after growing by 2 px are one. Length and width are 3.46 times the standard
    deviations along the patch's principal axes, exact for an evenly filled bar (common practice).
    """
    labels, _ = ndimage.label(ndimage.binary_dilation(rejected > 0, iterations=2), np.ones((3, 3)))
    found = []
    for number, place in enumerate(ndimage.find_objects(labels), 1):
        if np.hypot(*(s.stop - s.start for s in place)) < LEAST:
            continue
        patch = (labels[place] == number) & (rejected[place] > 0)
        y, x = np.nonzero(patch)
        if y.size < LEAST / 2:
            continue
        values, vectors = np.linalg.eigh(np.cov(np.stack([y, x])))
        width, length = 12**0.5 * np.sqrt(np.maximum(values, 0.1))
        if length >= LEAST and width <= NARROW * length:
            middle = (place[0].start + float(y.mean()), place[1].start + float(x.mean()))
            angle = float(np.degrees(np.arctan2(-vectors[0, 1], vectors[1, 1])) % 180)
            found.append(Trail(middle, float(length), angle, place, patch))
    return sorted(found, key=lambda trail: -trail.length)[:MOST]


def _whose(
    store: Store, keys: tuple[str, ...], patch: Array, window: tuple[slice, slice]
) -> tuple[int, float]:
    """The light in which the patch of the window stands out most, and by how much."""
    rows, columns = window
    beside = ~ndimage.binary_dilation(patch, iterations=4)
    best, most = 0, -np.inf
    for i, key in enumerate(keys):
        image = _read(store, key, rows.start, rows.stop - rows.start)[..., columns].mean(axis=0)
        sky = np.median(image[beside]) if beside.any() else np.median(image)
        excess = float(np.mean(image[patch]) - sky)
        if excess > most:
            best, most = i, excess
    return best, most


def _read(store: Store, key: str, top: int, height: int) -> Array:
    """Rows of a stored light, (colours, h, x)."""
    bands = store.bands(key)
    data = np.empty((bands.channels, height, bands.width), np.float32)
    marks = np.empty((height, bands.width), np.uint8)
    for channel in range(bands.channels):
        bands.read(top, top + height, channel, data[channel], marks)
    return data


def _window(trail: Trail, shape: tuple[int, int]) -> tuple[int, int, int, int]:
    size = [min(want, have) for want, have in zip(WINDOW, shape, strict=True)]
    start = [
        int(min(max(0, round(m - s / 2)), have - s))
        for m, s, have in zip(trail.middle, size, shape, strict=True)
    ]
    return start[0], start[1], size[0], size[1]
