"""How loops over pixels are compiled, in words that are cheap to import."""

from __future__ import annotations

from typing import Any

INNER: dict[str, Any] = {
    "cache": True,
    "nogil": True,
    "no_cpython_wrapper": True,
    "no_cfunc_wrapper": True,
}
"""How kernels are compiled that only kernels call: without an entry from Python, which takes time
to compile."""

ENTRY: dict[str, Any] = {"cache": True, "nogil": True, "_nrt": False}
"""How kernels are compiled that allocate nothing: references to arrays are then not counted, which
takes longer than much of what is done with them."""

BARE: dict[str, Any] = {**INNER, **ENTRY}
"""Both."""

WITHIN: dict[str, Any] = {**BARE, "forceinline": True}
"""Both, and as a part of what calls it: for what is called in one place, every few pixels. A call
with all the arrays that a tile has takes longer than what it does for the pixels."""
