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
LEAST = 60  # px long
BESIDE = 4.0  # px from the line that a trail's pixels lie within
GAP = 120.0  # px along the line without any
ANGLES = 360
FULL = 0.7  # share of a trail's length where its pixels must be
WINDOW = (240, 360)  # px of the picture of a trail


@dataclass(frozen=True, slots=True)
class Trail:
    """A line of rejected pixels, from (y, x) to (y, x), px; width px."""

    start: tuple[float, float]
    end: tuple[float, float]
    width: float

    @property
    def length(self) -> float:
        """px."""
        return float(np.hypot(self.end[0] - self.start[0], self.end[1] - self.start[1]))

    @property
    def middle(self) -> tuple[float, float]:
        """(y, x), px."""
        return (self.start[0] + self.end[0]) / 2, (self.start[1] + self.end[1]) / 2

    def inside_of(self, y: Array, x: Array, beside: float) -> Array:
        """Which of the places lie within `beside` px of it, bool."""
        dy, dx = ((b - a) / self.length for a, b in zip(self.start, self.end, strict=True))
        along = (y - self.start[0]) * dy + (x - self.start[1]) * dx
        across = (y - self.start[0]) * dx - (x - self.start[1]) * dy
        near: Array = (along >= 0) & (along <= self.length) & (np.abs(across) <= beside)
        return near

    def inside(self, window: tuple[slice, slice]) -> Array:
        """Its pixels in a window of the frame, bool."""
        y, x = np.mgrid[window]
        return self.inside_of(y, x, 1.5)


def probe(spec: ProbeTask, store: Store) -> Numbers:
    """frame : (n,), place of the trail's light among the stack's. start, end : (n, 2), px, y and
    x. excess : (n,), ADU, how far the trail stands above the sky beside it.
    light K, stack K : (colours, h, w), the window about the middle of trail K in both.

    Raises SetAside when the stack does not tell what was rejected.
    """
    stacks = alive(store, spec.keys["stack"])
    stack = store.frame(stacks[0]) if stacks else None
    if stack is None or "high" not in stack.planes:
        raise SetAside("the stack does not tell what was rejected")
    high = stack.planes["high"]
    # Light of any kind shows in all colours; noise is rejected in one.
    rejected = high if high.ndim == 2 else high.min(axis=0)
    keys = need(store, spec.keys["decision"][0]).rows
    out: dict[str, Array] = {}
    rows: list[tuple[float, ...]] = []
    for trail in find_trails(np.asarray(rejected)):
        top, left, height, width = _window(trail, stack.shape)
        cut = np.s_[:, top : top + height, left : left + width]
        frame, excess = _whose(store, keys, trail.inside(cut[1:]), cut[1:])
        number = len(rows)
        out[f"stack {number}"] = stack.channels[cut].astype(np.float64)
        out[f"light {number}"] = _read(store, keys[frame], top, height)[:, :, left : left + width]
        rows.append((frame, *trail.start, *trail.end, excess))
    table = np.array(rows, np.float64).reshape(-1, 6)
    return {
        "frame": table[:, 0],
        "start": table[:, 1:3],
        "end": table[:, 3:5],
        "excess": table[:, 5],
        **out,
    }


def find_trails(rejected: Array) -> list[Trail]:
    """The longest lines of rejected pixels (y, x), longest first.

    Notes
    -----
    Pixels count where more than half of the 5 x 5 around were rejected: single rejections by chance
    are far from that. Lines by the Hough transform (Duda and Hart 1972, Comm. ACM 15, 11), one at
    a time, the strongest first; a line ends where no pixel lies for `GAP` px, and must be filled to
    `FULL`. Its pixels are taken away before the next is looked for.
    """
    dense = ndimage.uniform_filter((rejected > 0).astype(np.float32), 5) > 0.5
    y, x = (values.astype(np.float64) for values in np.nonzero(dense))
    angles = np.arange(ANGLES) * np.pi / ANGLES
    found: list[Trail] = []
    for _ in range(4 * MOST):
        if y.size < LEAST or len(found) == MOST:
            break
        theta, rho = _strongest(y, x, angles, float(np.hypot(*rejected.shape)))
        away = y * np.sin(theta) + x * np.cos(theta) - rho
        near = np.abs(away) <= 2 * BESIDE
        trail = _longest(y[near], x[near])
        if trail is not None:
            found.append(trail)
            mine = trail.inside_of(y, x, 3 * BESIDE)
        else:
            mine = near
        y, x = y[~mine], x[~mine]
    return sorted(found, key=lambda trail: -trail.length)


def _strongest(y: Array, x: Array, angles: Array, reach: float) -> tuple[float, float]:
    """Angle and distance from the origin of the line that most of some of the pixels lie on."""
    thin = max(1, y.size // 20_000)
    bins = int(reach / BESIDE) + 1
    best = (0, 0.0, 0.0)
    for theta in angles:
        rho = y[::thin] * np.sin(theta) + x[::thin] * np.cos(theta)
        votes = np.bincount(((rho + reach) / BESIDE).astype(np.intp), minlength=2 * bins)
        place = int(votes.argmax())
        if votes[place] > best[0]:
            best = int(votes[place]), float(theta), (place + 0.5) * BESIDE - reach
    return best[1], best[2]


def _longest(y: Array, x: Array) -> Trail | None:
    """The longest run of pixels about one line, the line fitted anew to it; None if none is."""
    if y.size < LEAST:
        return None
    centre = float(y.mean()), float(x.mean())
    _, vectors = np.linalg.eigh(np.cov(np.stack([y, x])))
    dy, dx = float(vectors[0, 1]), float(vectors[1, 1])
    along = (y - centre[0]) * dy + (x - centre[1]) * dx
    across = (y - centre[0]) * dx - (x - centre[1]) * dy
    order = np.argsort(along)
    along, across = along[order], across[order]
    cuts = np.flatnonzero(np.diff(along) > GAP) + 1
    runs = list(zip([0, *cuts], [*cuts, along.size], strict=True))
    first, last = max(runs, key=lambda run: along[run[1] - 1] - along[run[0]])
    low, high = float(along[first]), float(along[last - 1])
    filled = np.unique(np.round(along[first:last])).size / max(1.0, high - low + 1)
    if high - low < LEAST or filled < FULL:
        return None
    ends = [(centre[0] + a * dy, centre[1] + a * dx) for a in (low, high)]
    width = 12**0.5 * float(np.std(across[first:last]))
    return Trail(ends[0], ends[1], width)


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
