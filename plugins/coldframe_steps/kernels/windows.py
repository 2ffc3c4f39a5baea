"""Taps of pixels that lie close together in the input, for processors that can permute 32 values.

Eight neighbours of a turned picture come from a window of no more than sixteen columns and a few
rows. So sixteen pixels need one load of sixteen values from each of two windows per row of these;
two adjoining vectors hold all that the sixteen pixels want of that row, and one permutation per
column of taps brings to each lane its own. A row is the first tap row of one pixel and the third
of another: each pixel's weights are moved down by as many rows as its own are, and rows that are
none of its taps are left out, whatever values they hold.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from llvmlite import ir
from numba.core import cgutils

from coldframe_steps.kernels.vectors import (
    FLOATS,
    INDEX,
    LANES,
    NUMBER,
    NUMBERS,
    TAPS,
    add_weighed,
    constant,
    every,
    load_vector,
    mix,
    spread,
)

HALF = LANES // 2

DEPTHS = (1, 3, 4)
"""How many rows apart the pixels of a window may be: each has code of its own, as long as needed.
With more rows this is no faster than to read pixel by pixel."""


def able(context: Any) -> bool:
    """Whether the processor that code is compiled for has the permutation."""
    return "+avx512f" in context.codegen().magic_tuple()[2].split(",")


class Windows:
    """The two windows of sixteen pixels.

    starts, rows, columns : int32 vectors, the first taps. size : values that can be read.
    """

    def __init__(
        self, builder: ir.IRBuilder, starts: Any, rows: Any, columns: Any, width: Any, size: Any
    ) -> None:
        self._builder = builder
        ends = [0] * HALF + [HALF] * HALF, [HALF - 1] * HALF + [LANES - 1] * HALF

        def least(vector: Any) -> Any:
            """The smaller of the two ends of each half, in all its lanes."""
            first, last = (mix(builder, vector, vector, lanes) for lanes in ends)
            return builder.select(builder.icmp_signed("<", first, last), first, last)

        top, left = least(rows), least(columns)
        self.down, self.across = builder.sub(rows, top), builder.sub(columns, left)
        wide = spread(builder, builder.trunc(width, NUMBER))
        self._base = builder.add(builder.mul(top, wide), left)
        # A pixel beyond the edge has a start of its own and is found out here.
        offset = builder.add(builder.mul(self.down, wide), self.across)
        true = builder.icmp_signed("==", builder.add(self._base, offset), starts)
        narrow = builder.icmp_unsigned("<", self.across, constant([LANES - TAPS + 1] * LANES))
        # All windows are taken for as deep as the deepest, to see whether they can be read.
        rows = builder.mul(width, INDEX(DEPTHS[-1] + TAPS - 1))
        end = builder.sub(builder.sub(size, rows), INDEX(LANES))
        readable = builder.icmp_signed(
            "<=", self._base, spread(builder, builder.trunc(end, NUMBER))
        )
        self._fit = builder.and_(builder.and_(true, narrow), readable)

    def reach(self, depth: int) -> Any:
        """Whether the pixels are within windows of this depth."""
        builder = self._builder
        shallow = builder.icmp_unsigned("<=", self.down, constant([depth] * LANES))
        return every(builder, builder.and_(self._fit, shallow))

    def bases(self) -> list[Any]:
        """The first value of each window, counted from that of the plane."""
        lanes = (self._builder.extract_element(self._base, NUMBER(k)) for k in (0, HALF))
        return [self._builder.sext(lane, INDEX) for lane in lanes]


def windowed(
    builder: ir.IRBuilder,
    windows: Windows,
    depth: int,
    pointers: Sequence[Any],
    width: Any,
    down: Sequence[Any],
    across: Sequence[Any],
) -> tuple[Any, Any]:
    """Sums over the taps of sixteen pixels, and their taps (2, 2).

    pointers : the first value of each window. down, across : weights of rows and of columns.
    """
    permute = cgutils.get_or_insert_function(
        builder.module,
        ir.FunctionType(FLOATS, [FLOATS, NUMBERS, FLOATS]),
        "llvm.x86.avx512.vpermi2var.ps.512",
    )
    upper = constant([0] * HALF + [LANES] * HALF)
    places = [
        builder.add(windows.across, builder.add(upper, constant([k] * LANES))) for k in range(TAPS)
    ]
    weights = _lowered(builder, list(down), windows.down, depth)
    sums: list[Any] = [None] * TAPS
    centre = None
    for row in range(TAPS + depth):
        one, other = (load_vector(builder, pointer, FLOATS) for pointer in pointers)
        pointers = [builder.gep(pointer, [width]) for pointer in pointers]
        used = _using(builder, windows.down, row, depth)
        for k in range(TAPS):
            taps = builder.call(permute, (one, places[k], other))
            more = add_weighed(builder, weights[row], taps, sums[k])
            if used is not None:
                rest = ir.Constant(FLOATS, [0.0] * LANES) if sums[k] is None else sums[k]
                more = builder.select(used, more, rest)
            sums[k] = more
            if k == 2 and 2 <= row <= depth + 2:
                here = builder.icmp_signed("==", windows.down, constant([row - 2] * LANES))
                centre = taps if centre is None else builder.select(here, taps, centre)
    total = None
    for weight, value in zip(across, sums, strict=True):
        total = add_weighed(builder, weight, value, total)
    return total, centre


def _using(builder: ir.IRBuilder, down: Any, row: int, depth: int) -> Any:
    """In which lanes a row is one of the taps; None for all."""
    used = None
    if row < depth:
        used = builder.icmp_signed("<=", down, constant([row] * LANES))
    if row >= TAPS:
        late = builder.icmp_signed(">=", down, constant([row - TAPS + 1] * LANES))
        used = late if used is None else builder.and_(used, late)
    return used


def _lowered(builder: ir.IRBuilder, weights: list[Any], down: Any, depth: int) -> list[Any]:
    """Per row its weights: lane by lane those of the taps, moved by `down` rows.

    Rows that are none of a lane's taps have any weight.
    """
    step = 1
    while step <= depth:
        bit = builder.and_(down, constant([step] * LANES))
        moved = builder.icmp_signed("!=", bit, constant([0] * LANES))
        count = min(len(weights) + step, TAPS + depth)
        weights = [
            weights[row]
            if row < step
            else weights[row - step]
            if row >= len(weights)
            else builder.select(moved, weights[row - step], weights[row])
            for row in range(count)
        ]
        step *= 2
    return weights
