"""What a frame's pixels show, in a few numbers: level, noise, star-like sources, smoothness.

Only as much is computed as telling a frame's kind needs, so that a whole night can be looked at.
The plane is cut into blocks whose median and median absolute deviation (from a sample of their
pixels) stand for the local background and noise. A star is a local maximum far above that whose
light also falls on its neighbours and is gone a few pixels away; a hot pixel has dark neighbours,
a bad column bright ones on two sides only, a glowing corner has no falling off.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from coldframe.frame import Array, Flag, FrameInfo
from coldframe.medians import of_rows

LOOK_VERSION = "1"
"""Raise it whenever the same pixels would give another Look."""

_MAD_TO_SIGMA = 1.4826  # of a normal distribution (Hampel 1974, JASA 69, 383)
_PEAK = 8.0  # sigma above the background
_SIDE = 2.5  # sigma, for the pixels beside the peak
_RING = 8  # pixels from the peak, where a star's light is gone
_MOST_CANDIDATES = 100_000
_AROUND = tuple((dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if (dy, dx) != (0, 0))
_SAMPLES = 12  # a side: pixels of a block that its median is taken of


@dataclass(frozen=True, slots=True)
class Look:
    """Numbers about one frame's pixels.

    level : median of the green (or only) plane, ADU; above black when the black level is known.
    black_known : whether `level` is above black. fraction : of the way from black to white, None
    when neither the white level nor the range of the data type is known. noise : robust sigma of
    single pixels, ADU. stars : star-like sources. tint : ADU between the brightest and the dimmest
    colour of the CFA, above black; None without a CFA or a black level. unevenness : rms of the
    local level about a smooth surface (order 2), as a fraction of the level above black or, when
    that is unknown, of the level. saturated : fraction of pixels.
    """

    level: float
    black_known: bool
    fraction: float | None
    noise: float
    stars: int
    tint: float | None
    falloff: float
    unevenness: float
    saturated: float


def look(info: FrameInfo, data: Array, flags: Array) -> Look:
    """Look at a frame as a reader gave it.

    Parameters
    ----------
    info : its facts; cfa, black and white are used where they are known.
    data : (y, x) or (3, y, x), uint16 or float32. flags : uint8 (y, x).

    Returns
    -------
    Look

    Notes
    -----
    About 0.1 s for 24 megapixels. Frames under 32 pixels a side give no stars.
    """
    mosaic = data[1] if data.ndim == 3 else data
    step = 2 if info.cfa and data.ndim == 2 else 1
    where = info.cfa.index("G") if info.cfa and step == 2 else 0
    blocks = _Blocks.of(mosaic, step)
    black = np.zeros(step * step)
    if info.black is not None:
        black += np.asarray(info.black if len(info.black) == step * step else info.black[0])
    levels = blocks.median.mean(axis=(1, 2)) - black
    level = float(np.median(blocks.median[where]) - black[where])
    top = info.white if info.white is not None else _top(data)
    return Look(
        level=level,
        black_known=info.black is not None,
        fraction=None if top is None else level / max(float(top - black[where]), 1.0),
        noise=float(np.median(blocks.sigma[where])),
        stars=_stars(mosaic, blocks, where),
        tint=_tint(levels, info.cfa) if step == 2 else None,
        falloff=_falloff(blocks.median[where]),
        unevenness=_unevenness(blocks.median[where] - black[where]),
        saturated=float(np.mean((flags[::4, ::4] & Flag.SATURATED) > 0)),
    )


@dataclass(frozen=True, slots=True)
class _Blocks:
    """Local median and sigma: (step * step, rows, columns) of blocks `side` plane pixels wide."""

    step: int
    side: int
    median: Array
    sigma: Array

    @classmethod
    def of(cls, mosaic: Array, step: int) -> _Blocks:
        short = min(mosaic.shape) // step
        side = next((s for s in (64, 32, 16, 8) if short >= 6 * s), max(short, 1))
        floor = 0.7 if mosaic.dtype.kind == "u" else 1e-9  # quantisation hides smaller noise
        medians, sigmas = [], []
        for y in range(step):
            for x in range(step):
                parts = _sampled(mosaic[y::step, x::step], side)
                median = of_rows(parts)
                spread = of_rows(np.abs(parts - median[..., np.newaxis]))
                medians.append(median)
                sigmas.append(np.maximum(_MAD_TO_SIGMA * spread, floor))
        return cls(step, side, np.stack(medians), np.stack(sigmas))


def _sampled(plane: Array, side: int) -> Array:
    """(rows, columns, samples) float32, evenly from each whole block."""
    rows, columns = plane.shape[0] // side, plane.shape[1] // side
    gap = max(side // _SAMPLES, 1)
    blocks = plane[: rows * side, : columns * side].reshape(rows, side, columns, side)
    few = blocks[:, ::gap, :, ::gap].transpose(0, 2, 1, 3)
    return few.reshape(rows, columns, -1).astype(np.float32)


def _top(data: Array) -> float | None:
    return float(np.iinfo(data.dtype).max) if data.dtype.kind == "u" else None


def _tint(levels: Array, cfa: str | None) -> float:
    colours = [
        np.mean([level for level, name in zip(levels, cfa or "", strict=True) if name == colour])
        for colour in "RGB"
    ]
    return float(max(colours) - min(colours))


def _falloff(levels: Array) -> float:
    rows, columns = levels.shape
    y, x = -(-rows // 5), -(-columns // 5)
    corners = (levels[:y, :x], levels[:y, -x:], levels[-y:, :x], levels[-y:, -x:])
    middle = levels[rows // 3 : rows - rows // 3, columns // 3 : columns - columns // 3]
    return float(middle.mean() - max(corner.mean() for corner in corners))


def _unevenness(levels: Array) -> float:
    rows, columns = levels.shape
    y, x = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, columns), indexing="ij")
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1).reshape(-1, 6)
    flat = levels.reshape(-1)
    fit = np.linalg.lstsq(terms, flat, rcond=None)[0]
    scale = abs(float(np.median(flat)))
    return float(np.sqrt(np.mean((flat - terms @ fit) ** 2))) / scale if scale > 0 else 0.0


def _stars(mosaic: Array, blocks: _Blocks, where: int) -> int:
    """Star-like sources whose peak falls on the plane `where`."""
    step, side = blocks.step, blocks.side
    if min(mosaic.shape) < 32:
        return 0
    y0, x0 = divmod(where, step)
    plane = mosaic[y0::step, x0::step]
    rows, columns = blocks.median.shape[1:]
    inner = plane[: rows * side, : columns * side].reshape(rows, side, columns, side)
    threshold = (blocks.median[where] + _PEAK * blocks.sigma[where]).astype(plane.dtype)
    above = np.flatnonzero(inner > threshold[:, np.newaxis, :, np.newaxis])
    density = above.size / inner.size
    every = -(-above.size // _MOST_CANDIDATES) or 1
    y, x = np.divmod(above[::every], columns * side)
    y, x = y * step + y0, x * step + x0
    edge = _RING + step
    keep = (y >= edge) & (y < mosaic.shape[0] - edge) & (x >= edge) & (x < mosaic.shape[1] - edge)
    found = _Candidates(mosaic, blocks, y[keep], x[keep])
    for test in (_lit_sides, _is_top, _falls_off):
        found = found.only(test(found))
    # Three of four neighbours hot by chance, and one of them itself the peak.
    chance = 4 * density**3 * above.size
    return max(int(len(found.y) * every - 2 * chance), 0)


@dataclass(frozen=True, slots=True)
class _Candidates:
    """Pixels far above their local background."""

    mosaic: Array
    blocks: _Blocks
    y: Array
    x: Array

    def only(self, good: Array) -> _Candidates:
        return replace(self, y=self.y[good], x=self.x[good])

    def excess(self, dy: int, dx: int) -> tuple[Array, Array]:
        """(ADU above the local background, the local sigma) at an offset from each candidate."""
        y, x, blocks = self.y + dy, self.x + dx, self.blocks
        rows, columns = blocks.median.shape[1:]
        number = (y % blocks.step) * blocks.step + x % blocks.step
        row = np.minimum(y // blocks.step // blocks.side, rows - 1)
        column = np.minimum(x // blocks.step // blocks.side, columns - 1)
        value = self.mosaic[y, x].astype(np.float32)
        return value - blocks.median[number, row, column], blocks.sigma[number, row, column]


def _lit_sides(found: _Candidates) -> Array:
    """Three of the four neighbours have light too: not so for a hot pixel or a bad column."""
    sides = [found.excess(dy, dx) for dy, dx in ((-1, 0), (1, 0), (0, -1), (0, 1))]
    return np.sum([value > _SIDE * sigma for value, sigma in sides], axis=0) >= 3


def _is_top(found: _Candidates) -> Array:
    """The highest among its neighbours of the same colour, and they hold much of the light."""
    peak = found.excess(0, 0)[0]
    step = found.blocks.step
    good = np.ones(len(peak), bool)
    for dy, dx in _AROUND:
        other = found.excess(step * dy, step * dx)[0]
        good &= peak > other if (dy, dx) < (0, 0) else peak >= other
    return good & (np.sum([found.excess(dy, dx)[0] for dy, dx in _AROUND], axis=0) > 0.6 * peak)


def _falls_off(found: _Candidates) -> Array:
    """The light is gone a few pixels away on every line through the peak.

    Not so for glowing corners and edges, nor along bad columns and rows.
    """
    peak, sigma = found.excess(0, 0)
    ring = np.stack([found.excess(_RING * dy, _RING * dx)[0] for dy, dx in _AROUND])
    around = np.median(ring, axis=0)
    # _AROUND runs row by row, so that the two ends of a line through the peak mirror each other.
    along = np.minimum(ring, ring[::-1]).max(axis=0)
    return (along < 0.5 * peak) & (around < 0.5 * peak) & (peak - around > 0.75 * _PEAK * sigma)
