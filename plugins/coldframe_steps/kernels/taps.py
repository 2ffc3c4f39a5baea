"""Sixteen interpolated pixels at a time in vector instructions.

The compiler does not find these by itself: the rows of a rotated map start anywhere, so there is no
loop over neighbours to turn into vectors. How taps are read depends on where the sixteen pixels
come from:

- side by side, rising or falling, as in a picture shifted or turned by half a turn: tap (j, k) of
  all of them is sixteen values in a row;
- close together, as in any turned picture: see `windows`;
- anywhere: each pixel loads its six rows of eight adjacent values, its rows are weighed and added,
  and only then are eight sums turned on their side, so that weighing the columns is eight pixels'
  work at once.

Written as instructions of LLVM. The order of the sums is fixed and the same for every pixel in each
of these ways: a column's rows first, then the columns.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

from coldframe_steps.kernels.vectors import (
    FLOAT,
    FLOATS,
    INDEX,
    LANES,
    NUMBER,
    NUMBERS,
    TAPS,
    constant,
    dot,
    every,
    load_vector,
    mix,
    reverse,
    spread,
)
from coldframe_steps.kernels.windows import DEPTHS, Windows, able, windowed

READ = 8
"""Values that are read from each row of a pixel, two more than the taps: they must exist."""

_EIGHT = ir.VectorType(FLOAT, READ)


@intrinsic
def interpolate(
    typingctx: Any,
    source: Any,
    plane: Any,
    size: Any,
    width: Any,
    starts: Any,
    rows: Any,
    columns: Any,
    wy: Any,
    wx: Any,
    i: Any,
    near: Any,
    ahead: Any,
    value: Any,
) -> Any:
    """Weighted sums over 6 x 6 taps of pixels i..i+15.

    Parameters
    ----------
    source : float32, flat and contiguous, planes of `size` values (int64) in rows of `width`.
    plane : int64, where this one begins.
    starts, rows, columns : int32 (n,), the first tap of each pixel: its place in a plane, its row
        and its column. start + 5 * width + READ must be within the plane.
    wy, wx : float32 (6, n), weights of rows and columns. i : int64, a multiple of 16.
    near : float32, how far a sum may be from the pixel at tap (2, 2) without being told of.
    ahead : two int64, which of the first eight pixels to fetch values into the cache for (and of
        the other eight), and how far beyond its first tap they are: what later rows will need,
        since in a turned picture no processor guesses it.
    value : float32 (n,), the sums, filled in at i..i+15.

    Returns
    -------
    int64, bit k set when the sum of pixel i + k is farther than `near` from its tap (2, 2).
    """
    numbers = types.int64, types.float32, types.UniTuple(types.int64, 2)
    sizes = (types.int64,) * 3
    arguments = source, *sizes, starts, rows, columns, wy, wx, *numbers, value
    return types.int64(*arguments), _interpolate


def _interpolate(context: Any, builder: ir.IRBuilder, signature: Any, args: Any) -> Any:
    arrays = {
        k: context.make_array(signature.args[k])(context, builder, args[k])
        for k in (0, 4, 5, 6, 7, 8, 12)
    }
    size, width, first, near = args[2], args[3], args[9], args[10]
    lane, distance = cgutils.unpack_tuple(builder, args[11])
    source = builder.gep(arrays[0].data, [args[1]])
    begin = builder.gep(arrays[4].data, [first])
    down, across = (_weights(builder, arrays[k], first) for k in (7, 8))

    def start(number: Any) -> Any:
        return builder.sext(builder.load(builder.gep(begin, [number])), INDEX)

    def tap(place: Any) -> Any:
        return builder.gep(source, [place])

    for part in (0, LANES // 2):  # in sixteen rows of sixteen pixels are two lines of memory a row
        number = builder.add(lane, INDEX(part))
        _fetch(builder, tap(builder.add(start(number), distance)))
    starts, rows, columns = (
        load_vector(builder, builder.gep(arrays[k].data, [first]), NUMBERS) for k in (4, 5, 6)
    )
    ends: list[tuple[Any, Any, Any]] = []
    done = builder.append_basic_block("interpolated")

    def way(chosen: Any, sums: Any) -> None:
        """If it is chosen: the sums and taps (2, 2) that a function gives."""
        with builder.if_then(chosen):
            ends.append((*sums(), builder.block))
            builder.branch(done)

    for step in (1, -1):
        steps = builder.sub(starts, constant(step * k for k in range(LANES)))
        together = builder.icmp_signed("==", steps, mix(builder, steps, steps, [0] * LANES))
        lowest = tap(start(INDEX(0 if step > 0 else LANES - 1)))
        way(
            every(builder, together),
            lambda step=step, lowest=lowest: _beside(builder, lowest, width, down, across, step),
        )
    if able(context):
        windows = Windows(builder, starts, rows, columns, width, size)
        corners = [tap(base) for base in windows.bases()]
        loaded = [[load_vector(builder, p, FLOATS) for p in side] for side in (down, across)]
        for depth in DEPTHS:
            way(
                windows.reach(depth),
                lambda depth=depth: windowed(builder, windows, depth, corners, width, *loaded),
            )
    firsts = [tap(start(INDEX(k))) for k in range(LANES)]
    ends.append((*_scattered(builder, firsts, width, down, across), builder.block))
    builder.branch(done)
    builder.position_at_end(done)
    total, centre = builder.phi(FLOATS), builder.phi(FLOATS)
    for *results, block in ends:
        for phi, result in zip((total, centre), results, strict=True):
            phi.add_incoming(result, block)
    target = builder.gep(arrays[12].data, [first])
    builder.store(total, builder.bitcast(target, FLOATS.as_pointer()), align=4)
    limit = spread(builder, near)
    above = builder.fcmp_ordered(">", builder.fsub(total, centre), limit)
    below = builder.fcmp_ordered(">", builder.fsub(centre, total), limit)
    bits = builder.bitcast(builder.or_(above, below), ir.IntType(LANES))
    return builder.zext(bits, INDEX)


def _weights(builder: ir.IRBuilder, array: Any, first: Any) -> list[Any]:
    """Pointers to the weights of the first of the pixels."""
    count = cgutils.unpack_tuple(builder, array.shape)[1]
    places = (builder.add(builder.mul(count, INDEX(k)), first) for k in range(TAPS))
    return [builder.gep(array.data, [place]) for place in places]


def _rows(builder: ir.IRBuilder, pointer: Any, width: Any) -> list[Any]:
    """Pointers to six rows from the first on."""
    pointers = [pointer]
    for _ in range(1, TAPS):
        pointers.append(builder.gep(pointers[-1], [width]))
    return pointers


def _beside(
    builder: ir.IRBuilder,
    lowest: Any,
    width: Any,
    down: Sequence[Any],
    across: Sequence[Any],
    step: int,
) -> tuple[Any, Any]:
    """Pixels side by side, from the lowest on: in their order, or against it where step is -1."""

    def ordered(vector: Any) -> Any:
        return vector if step > 0 else reverse(builder, vector)

    def weights(pointers: Sequence[Any]) -> list[Any]:
        return [ordered(load_vector(builder, pointer, FLOATS)) for pointer in pointers]

    pointers, columns, centre = _rows(builder, lowest, width), [], None
    of_rows = weights(down)
    for k in range(TAPS):
        taps = [
            load_vector(builder, builder.gep(pointer, [INDEX(k)]), FLOATS) for pointer in pointers
        ]
        columns.append(dot(builder, of_rows, taps))
        centre = taps[2] if k == 2 else centre
    return ordered(dot(builder, weights(across), columns)), ordered(centre)


def _scattered(
    builder: ir.IRBuilder,
    firsts: Sequence[Any],
    width: Any,
    down: Sequence[Any],
    across: Sequence[Any],
) -> tuple[Any, Any]:
    """Pixels anywhere."""
    halves = []
    for half in (0, 8):
        sums, middles = [], []
        for lane in range(half, half + 8):
            taps = [
                load_vector(builder, row, _EIGHT) for row in _rows(builder, firsts[lane], width)
            ]
            loaded = (builder.load(builder.gep(pointer, [INDEX(lane)])) for pointer in down)
            sums.append(dot(builder, (spread(builder, weight, 8) for weight in loaded), taps))
            middles.append(taps[2])
        weights = (
            load_vector(builder, builder.gep(pointer, [INDEX(half)]), _EIGHT) for pointer in across
        )
        total = dot(builder, weights, _turn(builder, sums)[:TAPS])
        halves.append((total, _turn(builder, middles)[2]))
    (left, above), (right, below) = halves
    both = range(LANES)
    return mix(builder, left, right, both), mix(builder, above, below, both)


def _fetch(builder: ir.IRBuilder, pointer: Any) -> None:
    """Have values brought into the cache; any address will do."""
    pointer = builder.bitcast(pointer, ir.IntType(8).as_pointer())
    kind = ir.FunctionType(ir.VoidType(), [pointer.type, NUMBER, NUMBER, NUMBER])
    fetch = cgutils.get_or_insert_function(builder.module, kind, "llvm.prefetch.p0i8")
    builder.call(fetch, (pointer, NUMBER(0), NUMBER(3), NUMBER(1)))  # to read; soon; data


def _turn(builder: ir.IRBuilder, rows: Sequence[Any]) -> list[Any]:
    """Lane k of vector i becomes lane i of vector k, for 8 x 8."""
    low, high = [0, 8, 1, 9, 4, 12, 5, 13], [2, 10, 3, 11, 6, 14, 7, 15]
    pairs = [
        mix(builder, rows[k], rows[k + 1], lanes) for k in (0, 2, 4, 6) for lanes in (low, high)
    ]
    first, second = [0, 1, 8, 9, 4, 5, 12, 13], [2, 3, 10, 11, 6, 7, 14, 15]
    quads = [
        mix(builder, pairs[k], pairs[k + 2], lanes)
        for k in (0, 1, 4, 5)
        for lanes in (first, second)
    ]
    front, back = [0, 1, 2, 3, 8, 9, 10, 11], [4, 5, 6, 7, 12, 13, 14, 15]
    return [mix(builder, quads[k], quads[k + 4], side) for side in (front, back) for k in range(4)]
