"""WIDE values in one variable: the vectors that pixel loops over many frames are written with.

Left to itself, the compiler cannot know that the rows of a block are not the same memory, and
keeps sums in memory that could stay in registers. With these types a loop over frames says what
the machine shall do. They are plain IEEE arithmetic, lane by lane: what one lane holds never
depends on the others, and no operation is fused (but by `fused`) or reordered. On processors with narrower registers
the compiler splits them.

Inside compiled functions only:

    load(array, place), store(array, place, v)   WIDE values of a contiguous array, flat place
    widened(array, place)                        f64(load(array, place)), faster
    prefetch(array, place)                       have memory at hand soon
    take(block, rows), pick(table, places)       block[rows[k], k] of a (n, WIDE) array; table[...]
    f32(x), f64(x), i32(x), i64(x), u16(x), u8(x)  all lanes x (number), or each lane converted
    ramp()                                       f64: 0, 1, 2, ...
    + - * /, < <= > >= ==, & | ~                 lane by lane
    where(mask, a, b), lower(a, b), upper(a, b)  a or b; minimum, maximum (no NaN)
    sqrt(v), size(v), halved(v)                  square root, absolute value; i32 // 2
    floor(v), fused(a, b, c)                     next lower whole number; a * b + c, rounded once
    in_order(v)                                  whether lane k of i32 is lane 0 plus k
    lanes_of(mask), lowest(bits)                 whole number: bit k is lane k; its lowest bit's k
"""

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic, lower_builtin, models, register_model, type_callable

WIDE = 16
"""Lanes of a vector: as many float32 as the widest registers hold."""

EVERY = (1 << WIDE) - 1
"""What `lanes_of` gives where all lanes are true."""

_SCALARS = {
    "f32": ir.FloatType(),
    "f64": ir.DoubleType(),
    "i32": ir.IntType(32),
    "i64": ir.IntType(64),
    "u16": ir.IntType(16),
    "u8": ir.IntType(8),
    "mask": ir.IntType(1),
}
_NUMBERS = {
    "f32": types.float32,
    "f64": types.float64,
    "i32": types.int32,
    "i64": types.int64,
    "u16": types.uint16,
    "u8": types.uint8,
}
_KINDS = {number: kind for kind, number in _NUMBERS.items()}


class Vector(types.Type):
    """Numba's type of WIDE values of one kind."""

    def __init__(self, kind: str) -> None:
        self.kind = kind
        super().__init__(name=f"Vector({kind})")


@register_model(Vector)
class _VectorModel(models.PrimitiveModel):
    def __init__(self, manager: Any, kind: Any) -> None:
        super().__init__(manager, kind, _of(kind.kind))


def _of(kind: str) -> Any:
    return ir.VectorType(_SCALARS[kind], WIDE)


def _same(result: Callable[[str], str], *kinds: str) -> Callable[[Any], Any]:
    """Typing of an operator on two vectors of one of these kinds."""

    def typing(context: Any) -> Any:
        def typer(x: Any, y: Any) -> Any:
            if isinstance(x, Vector) and x == y and x.kind in kinds:
                return Vector(result(x.kind))
            return None

        return typer

    return typing


def _binary(name: str) -> Callable[..., Any]:
    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        number = sig.args[0].kind in ("f32", "f64")
        return getattr(builder, f"f{name}" if number else name)(*args)

    return build


def _compare(sign: str) -> Callable[..., Any]:
    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        number = sig.args[0].kind in ("f32", "f64")
        return (builder.fcmp_ordered if number else builder.icmp_signed)(sign, *args)

    return build


for _operator, _name in (
    (operator.add, "add"),
    (operator.sub, "sub"),
    (operator.mul, "mul"),
    (operator.truediv, "div"),
):
    type_callable(_operator)(_same(lambda kind: kind, "f32", "f64", "i32"))
    lower_builtin(_operator, Vector, Vector)(_binary(_name))
for _operator, _name in ((operator.and_, "and_"), (operator.or_, "or_")):
    type_callable(_operator)(_same(lambda kind: kind, "mask", "u8", "i32"))
    lower_builtin(_operator, Vector, Vector)(_binary(_name))
for _operator, _name in (
    (operator.lt, "<"),
    (operator.le, "<="),
    (operator.gt, ">"),
    (operator.ge, ">="),
    (operator.eq, "=="),
):
    type_callable(_operator)(_same(lambda kind: "mask", "f32", "f64", "i32", "u8"))
    lower_builtin(_operator, Vector, Vector)(_compare(_name))


@type_callable(operator.invert)
def _type_invert(context: Any) -> Any:
    return lambda x: x if isinstance(x, Vector) and x.kind == "mask" else None


@lower_builtin(operator.invert, Vector)
def _lower_invert(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return builder.not_(args[0])


def _place(context: Any, builder: Any, array_type: Any, args: Any) -> Any:
    """Pointer to WIDE values of an array."""
    data = context.make_array(array_type)(context, builder, args[0]).data
    kind = _of(_KINDS[array_type.dtype]).as_pointer()
    return builder.bitcast(builder.gep(data, [args[1]]), kind)


def _bytes(array_type: Any) -> int:
    return int(array_type.dtype.bitwidth) // 8


@intrinsic
def load(typing: Any, array: Any, place: Any) -> Any:
    """WIDE values of an array from the flat place on."""

    def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        return builder.load(_place(context, builder, array, args), align=_bytes(array))

    return Vector(_KINDS[array.dtype])(array, types.int64), generate


@intrinsic
def widened(typing: Any, array: Any, place: Any) -> Any:
    """f64(load(array, place)) of float32, read in halves: each is widened as it is read."""

    def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        data = context.make_array(array)(context, builder, args[0]).data
        half = ir.VectorType(_SCALARS["f32"], WIDE // 2)
        halves = []
        for k in (0, WIDE // 2):
            start = builder.gep(data, [builder.add(args[1], ir.Constant(args[1].type, k))])
            value = builder.load(builder.bitcast(start, half.as_pointer()), align=_bytes(array))
            halves.append(builder.fpext(value, ir.VectorType(_SCALARS["f64"], WIDE // 2)))
        return builder.shuffle_vector(*halves, ir.Constant(_of("i32"), list(range(WIDE))))

    return Vector("f64")(array, types.int64), generate


@intrinsic
def store(typing: Any, array: Any, place: Any, vector: Any) -> Any:
    """Write WIDE values to an array, from the flat place on."""

    def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        builder.store(args[2], _place(context, builder, array, args), align=_bytes(array))
        return context.get_dummy_value()

    assert vector.kind == _KINDS[array.dtype]
    return types.void(array, types.int64, vector), generate


@intrinsic
def prefetch(typing: Any, array: Any, place: Any) -> Any:
    """Ask for the memory at a flat place, which may be beyond the array, to be at hand soon."""

    def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        data = context.make_array(array)(context, builder, args[0]).data
        byte = ir.IntType(8).as_pointer()
        number = ir.IntType(32)
        function = cgutils.get_or_insert_function(
            builder.module,
            ir.FunctionType(ir.VoidType(), [byte, number, number, number]),
            "llvm.prefetch.p0",
        )
        where = builder.bitcast(builder.gep(data, [args[1]]), byte)
        builder.call(function, [where, *(ir.Constant(number, k) for k in (0, 2, 1))])
        return context.get_dummy_value()

    return types.void(array, types.int64), generate


def _splat(builder: Any, value: Any) -> Any:
    whole = ir.Constant(ir.VectorType(value.type, WIDE), ir.Undefined)
    zero = ir.Constant(ir.IntType(32), 0)
    first = builder.insert_element(whole, value, zero)
    return builder.shuffle_vector(first, whole, ir.Constant(_of("i32"), [0] * WIDE))


def _convert(builder: Any, value: Any, kind: str, into: str) -> Any:
    if kind == into:
        return value
    wanted = _of(into)
    match kind, into:
        case "f32", "f64":
            return builder.fpext(value, wanted)
        case "f64", "f32":
            return builder.fptrunc(value, wanted)
        case "i32" | "i64", "f32" | "f64":
            return builder.sitofp(value, wanted)
        case "f64", "i32":
            return builder.fptosi(value, wanted)
        case "i32", "i64":
            return builder.sext(value, wanted)
        case "i32", "u16" | "u8":
            return builder.trunc(value, wanted)
        case "mask", "i32":
            return builder.zext(value, wanted)
    raise TypeError(f"no conversion from {kind} to {into}")


def _maker(into: str) -> Any:
    """f32(x) and its like: a number to all lanes, or a vector's lanes converted."""

    def make(typing: Any, x: Any) -> Any:
        number = not isinstance(x, Vector)
        taken = _NUMBERS[into] if number else x

        def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
            if number:
                return _splat(builder, args[0])
            return _convert(builder, args[0], x.kind, into)

        return Vector(into)(taken), generate

    return intrinsic(make)


f32, f64, i32, i64 = (_maker(kind) for kind in ("f32", "f64", "i32", "i64"))
u16, u8 = (_maker(kind) for kind in ("u16", "u8"))


@intrinsic
def where(typing: Any, mask: Any, a: Any, b: Any) -> Any:
    """a where the mask is true, else b."""

    def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        return builder.select(*args)

    assert a == b
    return a(mask, a, b), generate


def call(builder: Any, name: str, *args: Any, flags: tuple[str, ...] = ()) -> Any:
    """One of the compiler's own functions, on float vectors of one type."""
    kind = args[0].type
    suffix = "f32" if isinstance(kind.element, ir.FloatType) else "f64"
    function = cgutils.get_or_insert_function(
        builder.module,
        ir.FunctionType(kind, [kind] * len(args)),
        f"llvm.{name}.v{kind.count}{suffix}",
    )
    return builder.call(function, args, fastmath=flags)


def smaller(builder: Any, x: Any, y: Any) -> Any:
    """Minimum of two vectors, in which there is no NaN; of two zeros any."""
    if isinstance(x.type.element, ir.IntType):
        return builder.select(builder.icmp_signed("<", x, y), x, y)
    return call(builder, "minnum", x, y, flags=("nnan", "nsz"))


def larger(builder: Any, x: Any, y: Any) -> Any:
    """Maximum, as `smaller`."""
    if isinstance(x.type.element, ir.IntType):
        return builder.select(builder.icmp_signed(">", x, y), x, y)
    return call(builder, "maxnum", x, y, flags=("nnan", "nsz"))


def _same_type(build: Callable[..., Any], many: int) -> Any:
    """A function of one, two or three vectors that gives one of their type."""

    def one(typing: Any, x: Any) -> Any:
        return x(x), lambda context, builder, sig, args: build(builder, *args)

    def two(typing: Any, x: Any, y: Any) -> Any:
        assert x == y
        return x(x, y), lambda context, builder, sig, args: build(builder, *args)

    def three(typing: Any, x: Any, y: Any, z: Any) -> Any:
        assert x == y == z
        return x(x, y, z), lambda context, builder, sig, args: build(builder, *args)

    return intrinsic((one, two, three)[many - 1])


lower = _same_type(smaller, 2)
upper = _same_type(larger, 2)
sqrt = _same_type(lambda builder, x: call(builder, "sqrt", x), 1)
size = _same_type(lambda builder, x: call(builder, "fabs", x), 1)
floor = _same_type(lambda builder, x: call(builder, "floor", x), 1)
fused = _same_type(lambda builder, x, y, z: call(builder, "fma", x, y, z), 3)


halved = _same_type(lambda builder, x: builder.ashr(x, ir.Constant(x.type, [1] * WIDE)), 1)


@intrinsic
def ramp(typing: Any) -> Any:
    """0, 1, 2, ... as f64."""
    lanes = ir.Constant(_of("f64"), [float(k) for k in range(WIDE)])
    return Vector("f64")(), lambda context, builder, sig, args: lanes


def _collect(stride: int) -> Any:
    """Values at places[k] * stride + k (with stride 1: at places[k]), lane by lane."""

    def make(typing: Any, array: Any, places: Any) -> Any:
        kind = _KINDS[array.dtype]

        def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
            data = context.make_array(array)(context, builder, args[0]).data
            whole = ir.Constant(_of(kind), ir.Undefined)
            for lane in range(WIDE):
                number = ir.Constant(ir.IntType(32), lane)
                place = builder.sext(builder.extract_element(args[1], number), ir.IntType(64))
                if stride > 1:
                    place = builder.mul(place, ir.Constant(place.type, stride))
                    place = builder.add(place, ir.Constant(place.type, lane))
                value = builder.load(builder.gep(data, [place]))
                whole = builder.insert_element(whole, value, number)
            return whole

        return Vector(kind)(array, Vector("i32")), generate

    return intrinsic(make)


take = _collect(WIDE)
pick = _collect(1)


@intrinsic
def in_order(typing: Any, x: Any) -> Any:
    """Whether each lane is one more than the one before."""

    def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        steps = builder.sub(args[0], ir.Constant(_of("i32"), list(range(WIDE))))
        first = _splat(builder, builder.extract_element(args[0], ir.IntType(32)(0)))
        differ = builder.icmp_signed("!=", steps, first)
        bits = ir.IntType(WIDE)
        return builder.icmp_unsigned("==", builder.bitcast(differ, bits), bits(0))

    return types.boolean(Vector("i32")), generate


@intrinsic
def lowest(typing: Any, bits: Any) -> Any:
    """The place of the lowest bit that is set, of an int64 that is not 0."""

    def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        return builder.cttz(args[0], ir.IntType(1)(1))

    return types.int64(types.int64), generate


@intrinsic
def lanes_of(typing: Any, mask: Any) -> Any:
    """A mask as a whole number: bit k is lane k."""

    def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        return builder.zext(builder.bitcast(args[0], ir.IntType(WIDE)), ir.IntType(64))

    return types.int64(mask), generate
