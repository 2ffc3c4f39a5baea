"""Vectors of `simd` from values that do not lie in a row. Inside compiled functions only."""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

from coldframe_steps.kernels.simd import WIDE, Vector
from coldframe_steps.kernels.vectors import FLOAT, INDEX, NUMBER, NUMBERS, load_vector, mix, spread

_MASK = ir.VectorType(ir.IntType(1), WIDE)


@intrinsic
def gather(typing: Any, array: Any, places: Any) -> Any:
    """uint8 array[places[k]] as i32, lane by lane. The three bytes after each must exist as well."""

    def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        data = context.make_array(array)(context, builder, args[0]).data
        offsets = builder.sext(args[1], ir.VectorType(INDEX, WIDE))
        addresses = builder.add(spread(builder, builder.ptrtoint(data, INDEX)), offsets)
        pointers = builder.inttoptr(addresses, ir.VectorType(NUMBER.as_pointer(), WIDE))
        function = cgutils.get_or_insert_function(
            builder.module,
            ir.FunctionType(NUMBERS, [pointers.type, NUMBER, _MASK, NUMBERS]),
            f"llvm.masked.gather.v{WIDE}i32.v{WIDE}p0i32",
        )
        every, nothing = ir.Constant(_MASK, [1] * WIDE), ir.Constant(NUMBERS, [0] * WIDE)
        four = builder.call(function, [pointers, NUMBER(1), every, nothing])
        return builder.and_(four, ir.Constant(NUMBERS, [255] * WIDE))

    assert array.dtype == types.uint8
    return Vector("i32")(array, Vector("i32")), generate


@intrinsic
def square(typing: Any, array: Any, place: Any, pitch: Any) -> Any:
    """4 x 4 values of a flat float32 array, in rows of `pitch`, from the place on; f32."""

    def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        pointer = builder.gep(context.make_array(array)(context, builder, args[0]).data, [args[1]])
        rows = []
        for _ in range(4):
            rows.append(load_vector(builder, pointer, ir.VectorType(FLOAT, 4)))
            pointer = builder.gep(pointer, [args[2]])
        upper, lower = (mix(builder, rows[k], rows[k + 1], range(8)) for k in (0, 2))
        return mix(builder, upper, lower, range(16))

    assert array.dtype == types.float32
    return Vector("f32")(array, types.int64, types.int64), generate
