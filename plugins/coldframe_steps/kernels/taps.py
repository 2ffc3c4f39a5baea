"""One interpolated pixel in vector instructions.

The compiler does not find these by itself: the rows of a rotated map start anywhere, so there is no
loop over neighbours to turn into vectors, only six rows of eight adjacent values for each pixel.
Written as instructions of LLVM, which has them on every processor, a pixel takes a third of the
time of the same sums as a loop, and the order of the sums is fixed.
"""

from __future__ import annotations

from typing import Any

from llvmlite import ir  # type: ignore[import-untyped]  # has no type information
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

LANES = 8
"""Values read from each row, two more than the taps: the array must reach that far."""

_FLOAT, _INDEX, _LANE = ir.FloatType(), ir.IntType(64), ir.IntType(32)


@intrinsic
def interpolate(
    typingctx: Any, source: Any, start: Any, width: Any, wy: Any, wx: Any, i: Any
) -> Any:
    """Weighted sum over 6 x 6 taps, and the range of the inner 4 x 4 of them.

    Parameters
    ----------
    source : float32, flat and contiguous, rows of `width` values. start : int64, the first tap;
        source[start + 5 * width + LANES - 1] must exist.
    wy, wx : float32 (6, n), weights of rows and columns; i : int64, their column for this pixel.

    Returns
    -------
    (sum, least, most), float32.
    """
    result = types.UniTuple(types.float32, 3)
    signature = result(source, types.int64, types.int64, wy, wx, types.int64)

    def codegen(context: Any, builder: ir.IRBuilder, signature: Any, args: Any) -> Any:
        values, rows, columns = (
            context.make_array(signature.args[k])(context, builder, args[k]) for k in (0, 3, 4)
        )
        count = cgutils.unpack_tuple(builder, rows.shape)[1]

        def weight(of: Any, k: int) -> Any:
            place = builder.add(builder.mul(count, _INDEX(k)), args[5])
            return builder.load(builder.gep(of.data, [place]))

        loaded = []
        total = None
        for j in range(6):
            place = builder.add(args[1], builder.mul(args[2], _INDEX(j)))
            vector = ir.VectorType(_FLOAT, LANES)
            pointer = builder.bitcast(builder.gep(values.data, [place]), vector.as_pointer())
            loaded.append(builder.load(pointer, align=4))
            term = builder.fmul(loaded[j], _spread(builder, weight(rows, j)))
            total = term if total is None else builder.fadd(total, term)
        value = None
        for k in range(6):
            term = builder.fmul(builder.extract_element(total, _LANE(k)), weight(columns, k))
            value = term if value is None else builder.fadd(value, term)
        least, most = (_extreme(builder, loaded[1:5], sign) for sign in "<>")
        return context.make_tuple(builder, signature.return_type, (value, least, most))

    return signature, codegen


def _spread(builder: ir.IRBuilder, value: Any) -> Any:
    """A vector with one value in all lanes."""
    empty = ir.Constant(ir.VectorType(_FLOAT, LANES), ir.Undefined)
    first = builder.insert_element(empty, value, _LANE(0))
    return builder.shuffle_vector(
        first, empty, ir.Constant(ir.VectorType(_LANE, LANES), [0] * LANES)
    )


def _extreme(builder: ir.IRBuilder, rows: list[Any], sign: str) -> Any:
    """Least ("<") or greatest (">") of lanes 1 to 4 of four rows."""

    def better(a: Any, b: Any) -> Any:
        return builder.select(builder.fcmp_ordered(sign, a, b), a, b)

    def lanes(vector: Any, chosen: list[int]) -> Any:
        mask = ir.Constant(ir.VectorType(_LANE, len(chosen)), chosen)
        return builder.shuffle_vector(vector, vector, mask)

    best = better(better(rows[0], rows[1]), better(rows[2], rows[3]))
    best = better(lanes(best, [1, 2]), lanes(best, [3, 4]))
    return better(*(builder.extract_element(best, _LANE(k)) for k in (0, 1)))
