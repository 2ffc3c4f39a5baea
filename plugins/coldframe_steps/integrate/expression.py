"""Arithmetic over measured columns, for weights. Parsed and walked, never executed as code."""

from __future__ import annotations

import ast
import difflib
import math
from collections.abc import Callable, Mapping

from coldframe.errors import StepError

FUNCTIONS: Mapping[str, Callable[..., float]] = {
    "abs": abs,
    "exp": math.exp,
    "log": math.log,
    "max": max,
    "min": min,
    "sqrt": math.sqrt,
}
"""What may be called. log is the natural logarithm."""

LONGEST = 500
"""Characters; nothing a person writes as a weight is longer, and parsing stays cheap."""

_BINARY: Mapping[type[ast.operator], Callable[[float, float], float]] = {
    ast.Add: lambda a, b: a + b,
    ast.Sub: lambda a, b: a - b,
    ast.Mult: lambda a, b: a * b,
    ast.Div: lambda a, b: a / b,
    ast.Pow: lambda a, b: a**b,
}


def parse(text: str) -> ast.expr:
    """Check an expression and return its tree.

    Numbers, names of columns, + - * / **, parentheses, signs, and calls of FUNCTIONS are all that
    there may be. Raises StepError, which quotes the part that is wrong.
    """
    if len(text) > LONGEST:
        raise StepError(
            f"the weight expression has {len(text)} characters; at most {LONGEST} may be"
        )
    if not text.strip():
        raise StepError(
            "weights: expression needs an 'expression', such as \"stars / (noise * fwhm) ** 2\""
        )
    try:
        tree = ast.parse(text.strip(), mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError) as err:
        reason = err.msg if isinstance(err, SyntaxError) else str(err)
        raise StepError(f"weight expression '{text}' cannot be read: {reason}") from None
    _check(tree, text)
    return tree


def names_in(tree: ast.expr) -> set[str]:
    """The columns that a parsed expression uses."""
    called = {id(node.func) for node in ast.walk(tree) if isinstance(node, ast.Call)}
    return {n.id for n in ast.walk(tree) if isinstance(n, ast.Name) and id(n) not in called}


def check_names(tree: ast.expr, known: set[str]) -> None:
    """Raise StepError naming each column that is not among `known`, and the nearest that is."""
    faults = []
    for name in sorted(names_in(tree) - known):
        near = difflib.get_close_matches(name, sorted(known), n=1, cutoff=0.5)
        faults.append(f"'{name}'" + (f" (did you mean '{near[0]}'?)" if near else ""))
    if faults:
        raise StepError(
            f"weight expression: no column {', '.join(faults)}; "
            f"these are measured: {', '.join(sorted(known)) or 'none'}"
        )


def evaluate(tree: ast.expr, columns: Mapping[str, float]) -> float:
    """The value of a parsed expression. NaN where arithmetic has none, such as 1 / 0."""
    try:
        value = _value(tree, columns)
    except (ArithmeticError, ValueError):
        return math.nan
    return value if isinstance(value, float) else math.nan  # a root of a negative is complex


def _check(node: ast.expr, text: str) -> None:
    match node:
        case ast.Constant(value=value) if type(value) in (int, float):
            return
        case ast.Name():
            return
        case ast.UnaryOp(op=ast.USub() | ast.UAdd(), operand=operand):
            _check(operand, text)
            return
        case ast.BinOp(left=left, op=op, right=right) if type(op) in _BINARY:
            _check(left, text)
            _check(right, text)
            return
        case ast.Call(func=ast.Name(id=name), args=args, keywords=[]) if name in FUNCTIONS:
            few, most = (1, 20) if name in ("min", "max") else (1, 1)
            if not few <= len(args) <= most:
                raise StepError(f"weight expression '{text}': {name} takes one number")
            for arg in args:
                _check(arg, text)
            return
    part = ast.get_source_segment(text.strip(), node) or text
    raise StepError(
        f"weight expression '{text}': '{part}' is not allowed; use numbers, names of columns, "
        f"+ - * / **, parentheses, and {', '.join(sorted(FUNCTIONS))}"
    )


def _value(node: ast.expr, columns: Mapping[str, float]) -> float:
    match node:
        case ast.Constant(value=value) if isinstance(value, (int, float)):
            return float(value)
        case ast.Name(id=name):
            return float(columns[name])
        case ast.UnaryOp(op=op, operand=operand):
            value = _value(operand, columns)
            return -value if isinstance(op, ast.USub) else value
        case ast.BinOp(left=left, op=op, right=right):
            return _BINARY[type(op)](_value(left, columns), _value(right, columns))
        case ast.Call(func=ast.Name(id=name), args=args):
            values = [_value(arg, columns) for arg in args]
            return FUNCTIONS[name](*values) if len(values) > 1 else _one(name, values[0])
    raise AssertionError(f"unchecked node {ast.dump(node)}")


def _one(name: str, value: float) -> float:
    return value if name in ("min", "max") else FUNCTIONS[name](value)
