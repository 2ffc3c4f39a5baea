"""Black levels of a DNG file by its own tags.

Source: Adobe, Digital Negative (DNG) Specification 1.4.0.0, BlackLevelRepeatDim, BlackLevel and
ActiveArea. LibRaw rounds these levels to whole numbers, and where the active area begins on an odd
row or column it moves the image but not the pattern of levels (seen with LibRaw 0.22).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import tifffile

from coldframe_steps.load.dng_parts import CFA, pages


def black_levels(
    path: Path, shape: tuple[int, int], margins: tuple[int, int]
) -> tuple[float, ...] | None:
    """Black level of the top left 2 x 2 of the image, row-major, in ADU.

    shape : (y, x) of the whole mosaic, to find its directory. margins : (rows, columns) of the
    mosaic before the image begins. None when the file gives no such levels, or none that repeat
    every 2 x 2 pixels.
    """
    try:
        with tifffile.TiffFile(path) as file:
            for page in pages(file):
                if (page.imagelength, page.imagewidth) == shape and int(page.photometric) == CFA:
                    return _levels(page, margins)
    except Exception:  # odd tags break it in many ways; LibRaw's own levels will do
        return None
    return None


def _levels(page: Any, margins: tuple[int, int]) -> tuple[float, ...] | None:
    numbers = _numbers(page, "BlackLevel")
    dims = _numbers(page, "BlackLevelRepeatDim") or [1.0, 1.0]
    rows, columns = (int(n) for n in dims)
    if rows not in (1, 2) or columns not in (1, 2) or len(numbers) != rows * columns:
        return None
    top, left = (int(n) for n in (_numbers(page, "ActiveArea") or [0.0, 0.0])[:2])
    return tuple(
        numbers[(margins[0] + y - top) % rows * columns + (margins[1] + x - left) % columns]
        for y in (0, 1)
        for x in (0, 1)
    )


def _numbers(page: Any, name: str) -> list[float]:
    """A tag's values; ratios are stored as numerator, denominator, numerator, ..."""
    tag = page.tags.get(name)
    if tag is None:
        return []
    values = tag.value if isinstance(tag.value, tuple) else (tag.value,)
    if tag.dtype == tifffile.DATATYPE.RATIONAL:
        return [a / b for a, b in zip(values[::2], values[1::2], strict=True) if b]
    return [float(value) for value in values]
