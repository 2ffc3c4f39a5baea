"""The finished frame as TIFF for a picture editor: linear values, 16-bit or 32-bit."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from coldframe.errors import StoreError
from coldframe.frame import UNUSABLE, Array, Flag, Frame
from coldframe.product import atomic
from coldframe.step import Takes
from coldframe_steps.output.options import option

_TOP = 65535

BAND = 64  # rows worked on at once


class TiffWriter:
    """Writes baseline TIFF (revision 6.0, Adobe 1992), uncompressed, colours interleaved.

    32 bits: IEEE 754 floating point, ADU as they are. 16 bits: unsigned, the least usable value at
    0 and the greatest at 65535, linear between; ImageDescription says how to get ADU back. The
    same frame gives the same bytes: the file carries no date.
    """

    name = "tiff"
    version = "2"
    about = "TIFF for picture editors: linear, 16-bit whole numbers or 32-bit floating point"
    takes = Takes(mono=1, mosaic=1, colour=1, planes=4)
    params: Mapping[str, Mapping[str, Any]] = {
        "bits": {
            "description": "16 for whole numbers scaled to the full range, 32 for floating point "
            "values in ADU.",
            "type": "integer",
            "enum": [16, 32],
            "default": 16,
            "unit": "bits",
        },
    }

    def write(self, frame: Frame, folder: Path, stem: str, params: Mapping[str, Any]) -> Path:
        """Write folder/stem.tiff. Raises StoreError when it cannot be written."""
        import tifffile

        bits = option(params, self.params, "bits")
        scale = integer_scale(frame) if bits == 16 else {}
        kind = np.dtype("<u2" if bits == 16 else "<f4")
        channels, (height, width) = frame.channels, frame.shape
        colour = len(channels) > 1
        path = folder / f"{stem}.tiff"
        try:
            with atomic(path) as temporary:
                # The empty picture first; its rows are then put where it says they belong.
                start, _ = tifffile.imwrite(
                    temporary,
                    None,
                    shape=(height, width, len(channels)) if colour else (height, width),
                    dtype=kind,
                    byteorder="<",
                    photometric="rgb" if colour else "minisblack",
                    planarconfig="contig" if colour else None,
                    description=describe(frame, scale),
                    software="Coldframe",
                    metadata=None,
                    returnoffset=True,
                )
                with temporary.open("r+b") as file:
                    file.seek(start)
                    for rows in _bands(height):
                        pixels = frame.data[..., rows, :]
                        if scale:
                            pixels = to_integers(pixels, frame.flags[rows], scale)
                        if colour:
                            pixels = np.moveaxis(pixels, 0, -1)
                        file.write(np.ascontiguousarray(pixels, kind).data)
        except ValueError as error:
            raise StoreError(f"cannot write {path}: {error}") from error
        return path


def _bands(height: int) -> Iterator[slice]:
    return (slice(y, min(height, y + BAND)) for y in range(0, height, BAND))


def integer_scale(frame: Frame) -> dict[str, float]:
    """{"zero", "scale"}: 0..65535 for the usable values is (ADU - zero) * scale, rounded."""
    least, most = np.inf, -np.inf
    for rows in _bands(frame.shape[0]):
        part = frame.channels[:, rows]
        usable = (frame.flags[rows] & np.uint8(UNUSABLE)) == 0
        usable &= np.isfinite(part).all(axis=0)
        for channel in part:
            least = min(least, float(channel.min(where=usable, initial=np.inf)))
            most = max(most, float(channel.max(where=usable, initial=-np.inf)))
    if least > most:
        least = most = 0.0
    return {"zero": least, "scale": _TOP / (most - least) if most > least else 1.0}


def to_integers(data: Array, flags: Array, scale: Mapping[str, float]) -> Array:
    """Scaled values as uint16, shaped as the data; pixels without data are 0."""
    numbers = np.rint((data.astype(np.float64) - scale["zero"]) * scale["scale"])
    numbers[..., (flags & np.uint8(Flag.NO_DATA)) != 0] = 0
    return np.clip(np.nan_to_num(numbers), 0, _TOP).astype(np.uint16)


def describe(frame: Frame, scale: Mapping[str, float]) -> str:
    """The ImageDescription: JSON, ASCII."""
    facts: dict[str, Any] = {"creator": "Coldframe", "encoding": "linear", "unit": "adu"}
    if scale:
        facts |= {"adu": "zero + number / scale", **scale}
    for name in ("target", "filter", "exposure"):
        value = getattr(frame.info, name)
        if value is not None:
            facts[name] = value
    if frame.provenance:
        facts["product"] = frame.provenance[0].key
    if frame.history:
        facts["history"] = list(frame.history)
    return json.dumps(facts)
