"""Pieces of LLVM code for vectors, that `taps` and `windows` are built from."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from llvmlite import ir
from numba.core import cgutils

from coldframe_steps.kernels.simd import WIDE

FLOAT, NUMBER, INDEX = ir.FloatType(), ir.IntType(32), ir.IntType(64)

LANES = WIDE
"""Pixels done at a time."""

TAPS = 6

FLOATS, NUMBERS = ir.VectorType(FLOAT, LANES), ir.VectorType(NUMBER, LANES)


def load_vector(builder: ir.IRBuilder, pointer: Any, kind: ir.VectorType) -> Any:
    """A vector from memory; its address need not be a multiple of its size."""
    return builder.load(builder.bitcast(pointer, kind.as_pointer()), align=4)


def constant(values: Iterable[int]) -> Any:
    """A vector of whole numbers."""
    numbers = list(values)
    return ir.Constant(ir.VectorType(NUMBER, len(numbers)), numbers)


def mix(builder: ir.IRBuilder, a: Any, b: Any, lanes: Sequence[int]) -> Any:
    """Lanes of two vectors; those of the second are counted on from the first's."""
    return builder.shuffle_vector(a, b, constant(lanes))


def spread(builder: ir.IRBuilder, value: Any, lanes: int = LANES) -> Any:
    """A vector with one value in all lanes."""
    empty = ir.Constant(ir.VectorType(value.type, lanes), ir.Undefined)
    return mix(builder, builder.insert_element(empty, value, NUMBER(0)), empty, [0] * lanes)


def reverse(builder: ir.IRBuilder, vector: Any) -> Any:
    """The lanes in falling order."""
    return mix(builder, vector, vector, range(vector.type.count - 1, -1, -1))


def every(builder: ir.IRBuilder, mask: Any) -> Any:
    """Whether all lanes of a mask are true."""
    bits = ir.IntType(mask.type.count)
    return builder.icmp_unsigned("==", builder.bitcast(mask, bits), bits(-1))


def add_weighed(builder: ir.IRBuilder, weight: Any, values: Any, total: Any) -> Any:
    """total + weight * values, rounded once; None for a total of 0."""
    kind = weight.type
    if total is None:
        total = ir.Constant(kind, [0.0] * kind.count)
    fused = cgutils.get_or_insert_function(
        builder.module, ir.FunctionType(kind, [kind] * 3), f"llvm.fma.v{kind.count}f32"
    )
    return builder.call(fused, (weight, values, total))


def dot(builder: ir.IRBuilder, weights: Iterable[Any], values: Iterable[Any]) -> Any:
    """Sum of products, from the first on."""
    total = None
    for weight, value in zip(weights, values, strict=True):
        total = add_weighed(builder, weight, value, total)
    return total
