"""Pieces of every registered light of a stack, to combine again in other ways.

The pieces are small and few, so that all lights are in memory at once, yet they hold enough pixels
to know the noise of a stack to a per cent. `combine` makes of any of the lights, also of some of
them twice, what the stack's own step would make: subsets tell how noise falls with their number,
and resampled lights how certain a stack's figures are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from coldframe.errors import SetAside
from coldframe.frame import UNUSABLE, Array, Flag
from coldframe.pixel_noise import pixel_noise
from coldframe.specs import StepCall, need
from coldframe.step import Numbers, StackStep, Tile
from coldframe.store import Store

SIDE = 96  # px
GRID = (3, 4)  # pieces down and across
MOST = 512 << 20  # bytes for the pieces of all lights
EDGE = 0.08  # share of the frame left out at each edge, where not all lights lie


@dataclass(frozen=True, slots=True)
class Samples:
    """Pieces of the lights of one stack.

    data : float32 (pieces, colours, lights, h, w), ADU. flags : uint8 (pieces, lights, h, w).
    y, x : top left pixel of each piece. decision : the stack's numbers, first axis the lights.
    halo : px at each edge of a piece that are there only to be looked at, as `StackStep.halo_rows`
    asks; h and w hold them, y and x do not count them. Beyond the frame they have no data.
    """

    data: Array
    flags: Array
    y: tuple[int, ...]
    x: tuple[int, ...]
    call: StepCall
    decision: Numbers
    halo: int = 0

    @property
    def lights(self) -> int:
        """How many lights there are."""
        return int(self.flags.shape[1])

    @property
    def side(self) -> tuple[int, int]:
        """(y, x) px of a piece without its halo."""
        height, width = self.flags.shape[-2:]
        return height - 2 * self.halo, width - 2 * self.halo


def read_samples(store: Store, decision: str, call: StepCall, length: int = SIDE) -> Samples:
    """The pieces of the lights that a stack's decision covers.

    decision : its store key. call : the stack's step. length : px, side of a piece.

    Raises SetAside when there is no light, StoreError when a light's pixels are gone.
    """
    keys = need(store, decision).rows
    if not keys:
        raise SetAside("no light is left in the stack")
    first = store.bands(keys[0])
    height, width = first.height, first.width
    side = (min(length, height // GRID[0]), min(length, width // GRID[1]))
    halo = _halo(call)
    pixels = (side[0] + 2 * halo) * (side[1] + 2 * halo)
    each = pixels * len(keys) * (4 * first.channels + 1)
    across = GRID[1] if each * GRID[0] * GRID[1] <= MOST else 1
    lefts = _starts(width, side[1], across)
    corners = [(top, left) for top in _starts(height, side[0], GRID[0]) for left in lefts]
    return read_pieces(store, decision, call, corners, side)


def read_pieces(
    store: Store,
    decision: str,
    call: StepCall,
    corners: Sequence[tuple[int, int]],
    side: tuple[int, int],
) -> Samples:
    """As `read_samples`, with pieces of `side` (y, x) px whose top left pixels are told."""
    bands = [store.bands(key) for key in need(store, decision).rows]
    first = bands[0]
    halo = _halo(call)
    shape = (len(corners), first.channels, len(bands), *(size + 2 * halo for size in side))
    data = np.zeros(shape, np.float32)
    flags = np.full((shape[0], *shape[2:]), np.uint8(Flag.NO_DATA))
    rows = np.empty((shape[-2], first.width), np.float32)
    marks = np.empty((shape[-2], first.width), np.uint8)
    beside: dict[int, list[int]] = {}  # pieces of the same rows are read at once
    for place, (top, _) in enumerate(corners):
        beside.setdefault(top, []).append(place)
    for i, band in enumerate(bands):
        for top, places in beside.items():
            low, high = max(0, top - halo), min(first.height, top + side[0] + halo)
            read = np.s_[: high - low]
            down = np.s_[low - top + halo : high - top + halo]
            for channel in range(first.channels):
                band.read(low, high, channel, rows[read], marks[read])
                for place in places:
                    left = corners[place][1]
                    start, stop = max(0, left - halo), min(first.width, left + side[1] + halo)
                    across = np.s_[start - left + halo : stop - left + halo]
                    data[place, channel, i, down, across] = rows[read, start:stop]
                    flags[place, i, down, across] = marks[read, start:stop]
    y, x = (tuple(corner[axis] for corner in corners) for axis in (0, 1))
    return Samples(data, flags, y, x, call, store.numbers(decision), halo)


def _halo(call: StepCall) -> int:
    step = call.make()
    assert isinstance(step, StackStep)
    return step.halo_rows(call.params)


def _starts(length: int, side: int, count: int) -> list[int]:
    low = round(EDGE * length)
    room = max(0, length - side - 2 * low)
    if count == 1:
        return [low + room // 2]
    return [low + round(room * i / (count - 1)) for i in range(count)]


def combine(samples: Samples, chosen: Sequence[int]) -> tuple[Array, Array]:
    """What the stack's step makes of the chosen lights, which may repeat.

    Returns
    -------
    data float32 and flags uint8, both (pieces, colours, h, w), without the halo.
    """
    index = np.asarray(chosen, dtype=np.intp)
    step = samples.call.make()
    assert isinstance(step, StackStep)
    n = samples.lights
    # What is decided for a frame has the frames as its first axis (see `StackStep.prepare`).
    decision = {k: v[index] if v.shape[0] == n else v for k, v in samples.decision.items()}
    context = replace(samples.call.context("0" * 16), decision=decision)
    pieces, colours = samples.data.shape[:2]
    halo, (height, width) = samples.halo, samples.side
    inside = np.s_[halo : halo + height, halo : halo + width]
    data = np.empty((pieces, colours, height, width), np.float32)
    flags = np.empty(data.shape, np.uint8)
    for piece in range(pieces):
        marks = np.ascontiguousarray(samples.flags[piece, index])
        for colour in range(colours):
            values = np.ascontiguousarray(samples.data[piece, colour, index])
            corner = samples.y[piece] - halo, samples.x[piece] - halo
            planes = step.reduce(Tile(values, marks, colour, *corner), context)
            data[piece, colour] = planes["data"][inside]
            flags[piece, colour] = planes["flags"][inside]
    return data, flags


def noise_of(data: Array, flags: Array) -> float:
    """Noise of one pixel in ADU: mean over the colours of the pieces' median.

    Measured in each piece as the stack's own is in the whole (`coldframe.pixel_noise`). The median
    passes over pieces that a bright nebula or star fills. NaN where no piece is usable.
    """
    by_colour = []
    for colour in range(data.shape[1]):
        found = [
            pixel_noise(values, marks)
            for values, marks in zip(data[:, colour], flags[:, colour], strict=True)
            if np.mean((marks & UNUSABLE) == 0) > 0.5
        ]
        known = [noise for noise in found if noise > 0]
        by_colour.append(float(np.median(known)) if known else np.nan)
    return float(np.mean(by_colour))
