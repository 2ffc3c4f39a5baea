"""Eight interpolated pixels at a time in vector instructions.

The compiler does not find these by itself: the rows of a rotated map start anywhere, so there is no
loop over neighbours to turn into vectors. Here each of eight pixels loads its six rows of eight
adjacent values, its rows are weighed and added, and only then are the eight sums turned on their
side, so that weighing the columns is eight pixels' work at once. Written as instructions of LLVM,
which has them on every processor; the order of the sums is fixed and the same for every pixel.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

LANES = 8
"""Pixels done at a time, and values read from each row: two more than the taps, so the array must
reach that far."""

_TAPS = 6
_FLOAT, _INDEX, _LANE = ir.FloatType(), ir.IntType(64), ir.IntType(32)
_VECTOR, _BITS = ir.VectorType(_FLOAT, LANES), ir.IntType(LANES)


@intrinsic
def fma(typingctx: Any, a: Any, b: Any, c: Any) -> Any:
    """a * b + c, float32, rounded once: the same on every processor, in vectors or not."""

    def codegen(context: Any, builder: ir.IRBuilder, signature: Any, args: Any) -> Any:
        return builder.fma(*args)

    return types.float32(types.float32, types.float32, types.float32), codegen


@intrinsic
def interpolate(
    typingctx: Any,
    source: Any,
    starts: Any,
    plane: Any,
    width: Any,
    wy: Any,
    wx: Any,
    i: Any,
    near: Any,
    ahead: Any,
    value: Any,
) -> Any:
    """Weighted sums over 6 x 6 taps of pixels i..i+7.

    Parameters
    ----------
    source : float32, flat and contiguous, rows of `width` values. starts : int32, the first tap of
        each pixel, to which `plane` (int64) is added;
        source[start + plane + 5 * width + LANES - 1] must exist.
    wy, wx : float32 (6, n), weights of rows and columns. i : int64, a multiple of 8.
    near : float32, how far a sum may be from the pixel at tap (2, 2) without being told of.
    ahead : two int64, which of the eight pixels to fetch values into the cache for, and how far
        beyond its first tap they are: what later rows will need, since in a turned picture no
        processor guesses it.
    value : float32 (n,), the sums, filled in at i..i+7.

    Returns
    -------
    uint8, bit k set when the sum of pixel i + k is farther than `near` from its tap (2, 2).
    """
    numbers = types.int64, types.float32, types.UniTuple(types.int64, 2)
    arguments = source, starts, types.int64, types.int64, wy, wx, *numbers, value
    return types.uint8(*arguments), _interpolate


def _interpolate(context: Any, builder: ir.IRBuilder, signature: Any, args: Any) -> Any:
    source, starts, wy, wx, value = (
        context.make_array(signature.args[k])(context, builder, args[k]) for k in (0, 1, 4, 5, 9)
    )
    plane, width, first, near = args[2], args[3], args[6], args[7]
    lane, distance = cgutils.unpack_tuple(builder, args[8])

    def at(array: Any, place: Any) -> Any:
        return builder.gep(array.data, [place])

    def vector(pointer: Any, kind: ir.VectorType = _VECTOR, align: int = 4) -> Any:
        return builder.load(builder.bitcast(pointer, kind.as_pointer()), align=align)

    def weights(array: Any) -> list[Any]:
        """Pointers to the weights of the first of the pixels."""
        count = cgutils.unpack_tuple(builder, array.shape)[1]
        return [at(array, builder.add(builder.mul(count, _INDEX(k)), first)) for k in range(_TAPS)]

    def place(lane: Any) -> Any:
        """Where a pixel's first tap is, in the first plane."""
        return builder.sext(builder.load(at(starts, builder.add(first, lane))), _INDEX)

    def rows(lane: int) -> list[Any]:
        """Pointers to the six rows under a pixel."""
        start = place(_INDEX(lane))
        pointers = [at(source, builder.add(start, plane))]
        for _ in range(1, _TAPS):
            pointers.append(builder.gep(pointers[-1], [width]))
        return pointers

    down, across = weights(wy), weights(wx)

    def adjoining() -> tuple[Any, Any]:
        """Pixels side by side: tap (j, k) of all eight is eight values in a row."""
        pointers, total, centre = rows(0), None, None
        for k in range(_TAPS):
            taps = [vector(builder.gep(pointer, [_INDEX(k)])) for pointer in pointers]
            total = _add(builder, vector(across[k]), _dot(builder, map(vector, down), taps), total)
            centre = taps[2] if k == 2 else centre
        return total, centre

    def scattered() -> tuple[Any, Any]:
        sums, middles = [], []
        for lane in range(LANES):
            taps = [vector(pointer) for pointer in rows(lane)]
            loaded = (builder.load(builder.gep(pointer, [_INDEX(lane)])) for pointer in down)
            sums.append(_dot(builder, (_spread(builder, weight) for weight in loaded), taps))
            middles.append(taps[2])
        columns = _turn(builder, sums)[:_TAPS]
        return _dot(builder, map(vector, across), columns), _turn(builder, middles)[2]

    _fetch(builder, at(source, builder.add(builder.add(place(lane), plane), distance)))
    places = ir.VectorType(_LANE, LANES)
    found = vector(at(starts, first), places, 4)
    steps = builder.sub(found, ir.Constant(places, list(range(LANES))))
    apart = builder.icmp_signed("!=", steps, _spread(builder, builder.load(at(starts, first))))
    together = builder.icmp_unsigned("==", builder.bitcast(apart, _BITS), _BITS(0))
    ends = []
    with builder.if_else(together) as branches:
        for branch, way in zip(branches, (adjoining, scattered), strict=True):
            with branch:
                ends.append((*way(), builder.block))
    total, centre = builder.phi(_VECTOR), builder.phi(_VECTOR)
    for *results, block in ends:
        for phi, result in zip((total, centre), results, strict=True):
            phi.add_incoming(result, block)
    builder.store(total, builder.bitcast(at(value, first), _VECTOR.as_pointer()), align=4)
    limit = _spread(builder, near)
    above = builder.fcmp_ordered(">", builder.fsub(total, centre), limit)
    below = builder.fcmp_ordered(">", builder.fsub(centre, total), limit)
    return builder.bitcast(builder.or_(above, below), _BITS)


def _fetch(builder: ir.IRBuilder, pointer: Any) -> None:
    """Have values brought into the cache; any address will do."""
    pointer = builder.bitcast(pointer, ir.IntType(8).as_pointer())
    kind = ir.FunctionType(ir.VoidType(), [pointer.type, _LANE, _LANE, _LANE])
    fetch = cgutils.get_or_insert_function(builder.module, kind, "llvm.prefetch.p0i8")
    builder.call(fetch, (pointer, _LANE(0), _LANE(3), _LANE(1)))  # to read; soon; data


def _dot(builder: ir.IRBuilder, weights: Iterable[Any], values: Iterable[Any]) -> Any:
    total = None
    for weight, value in zip(weights, values, strict=True):
        total = _add(builder, weight, value, total)
    return total


def _add(builder: ir.IRBuilder, weight: Any, values: Any, total: Any) -> Any:
    if total is None:
        return builder.fmul(weight, values)
    shape = ir.FunctionType(_VECTOR, [_VECTOR] * 3)
    fused = cgutils.get_or_insert_function(builder.module, shape, f"llvm.fma.v{LANES}f32")
    return builder.call(fused, (weight, values, total))


def _mix(builder: ir.IRBuilder, a: Any, b: Any, lanes: Sequence[int]) -> Any:
    """Lanes of two vectors; those of the second are counted on from the first's."""
    mask = ir.Constant(ir.VectorType(_LANE, len(lanes)), list(lanes))
    return builder.shuffle_vector(a, b, mask)


def _spread(builder: ir.IRBuilder, value: Any) -> Any:
    """A vector with one value in all lanes."""
    empty = ir.Constant(ir.VectorType(value.type, LANES), ir.Undefined)
    return _mix(builder, builder.insert_element(empty, value, _LANE(0)), empty, [0] * LANES)


def _turn(builder: ir.IRBuilder, rows: Sequence[Any]) -> list[Any]:
    """Lane k of vector i becomes lane i of vector k, for 8 x 8."""
    low, high = [0, 8, 1, 9, 4, 12, 5, 13], [2, 10, 3, 11, 6, 14, 7, 15]
    pairs = [
        _mix(builder, rows[k], rows[k + 1], lanes) for k in (0, 2, 4, 6) for lanes in (low, high)
    ]
    first, second = [0, 1, 8, 9, 4, 5, 12, 13], [2, 3, 10, 11, 6, 7, 14, 15]
    quads = [
        _mix(builder, pairs[k], pairs[k + 2], lanes)
        for k in (0, 1, 4, 5)
        for lanes in (first, second)
    ]
    front, back = [0, 1, 2, 3, 8, 9, 10, 11], [4, 5, 6, 7, 12, 13, 14, 15]
    return [_mix(builder, quads[k], quads[k + 4], side) for side in (front, back) for k in range(4)]
