"""What a sweep over a tile is given: how to judge samples, and room for pixels that wait."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from coldframe.frame import Array
from coldframe_steps.kernels.accumulate import Tally
from coldframe_steps.kernels.network import empty_block
from coldframe_steps.kernels.samples import FAR, PITCH, STRIP
from coldframe_steps.kernels.simd import WIDE


class Plan(NamedTuple):
    """How to judge and combine.

    rule, options, critical : see `reject.keep_run`. pairs, merging : from `network.sorting_steps(n)`
    and `merging_steps(n)`; few_pairs, few_merging : the same with median_only.
    middle : whether medians are asked for.
    median_factor : float64 (n + 1,), variance of the median over that of the mean, by samples; or
    (0,) to give the mean. even : whether all weights are 1. matched : whether any frame has to be,
    see `samples.matched`. everything : sum of the weights. part, factor, alone : see
    `accumulate.finish`; of all frames together.
    """

    rule: int
    options: Array
    critical: Array
    pairs: Array
    merging: Array
    few_pairs: Array
    few_merging: Array
    middle: bool
    median_factor: Array
    even: bool
    matched: bool
    everything: float
    part: float
    factor: float
    alone: float


class Row(NamedTuple):
    """What `plain.sum_row` finds out about the strips of a row; the last begins in the one before.

    clean : bool (strips,), whether no sample has a flag; (0,) for no strips. bits : uint8
    (strips WIDE,), any flags. Of clean strips only: pivots : float32 (strips STRIP,), samples of the
    first frame. sums : float64 (2, strips STRIP), as those of `samples.gather`.
    """

    clean: Array
    bits: Array
    pivots: Array
    sums: Array

    @classmethod
    def empty(cls, width: int) -> Row:
        """To be written; with width 0, for sweeps that gather every strip."""
        strips = -(-width // STRIP)
        return cls(
            clean=np.empty(strips, np.bool_),
            bits=np.empty(strips * WIDE, np.uint8),
            pivots=np.empty(strips * STRIP, np.float32),
            sums=np.empty((2, strips * STRIP)),
        )


class Room(NamedTuple):
    """Pixels that wait for the thorough look, one to a lane, and room to work in.

    raw, ordered, away : blocks. flags, gone : uint8 (n, WIDE); gone marks samples that lie in grown
    trails, (0, WIDE) for none. extra : float64 (WIDE,), see `reject`. places : int64 (WIDE,), flat
    places of the pixels. special : bool (WIDE,), whether flags or `gone` have to be looked at.
    strip, sums : float32 (n, PITCH) and float64 (2, STRIP), see `samples.gather`. again : uint8
    (WIDE,), flags that more than one sample of a pixel carries; of a single frame, its own. row : see
    there.
    """

    raw: Array
    ordered: Array
    away: Array
    flags: Array
    gone: Array
    extra: Array
    places: Array
    special: Array
    strip: Array
    sums: Array
    again: Array
    tally: Tally
    row: Row

    @classmethod
    def empty(cls, n: int, rows: int, trails: bool, width: int) -> Room:
        """Nobody waiting."""
        ordered, away = empty_block(rows), empty_block(rows)
        ordered[n:] = FAR
        away[n:] = FAR
        return cls(
            raw=empty_block(n),
            ordered=ordered,
            away=away,
            flags=np.empty((n, WIDE), np.uint8),
            gone=np.empty((n if trails else 0, WIDE), np.uint8),
            extra=np.empty(WIDE),
            places=np.empty(WIDE, np.int64),
            special=np.empty(WIDE, np.bool_),
            strip=empty_block(n * PITCH // WIDE).reshape(n, PITCH),
            sums=np.empty((2, STRIP)),
            again=np.empty(WIDE, np.uint8),
            tally=Tally.empty(),
            row=Row.empty(width),
        )
