"""The finished frame as TIFF for a picture editor: linear values, 16-bit or 32-bit."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from coldframe.errors import StoreError
from coldframe.frame import UNUSABLE, Array, Flag, Frame
from coldframe.product import atomic
from coldframe_steps.output.options import option

_TOP = 65535


class TiffWriter:
    """Writes baseline TIFF (revision 6.0, Adobe 1992), uncompressed, colours interleaved.

    32 bits: IEEE 754 floating point, ADU as they are. 16 bits: unsigned, the least usable value at
    0 and the greatest at 65535, linear between; ImageDescription says how to get ADU back. The
    same frame gives the same bytes: the file carries no date.
    """

    name = "tiff"
    version = "2"
    about = "TIFF for picture editors: linear, 16-bit whole numbers or 32-bit floating point"
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
        pixels, scale = to_integers(frame) if bits == 16 else (frame.data.astype(np.float32), {})
        if pixels.ndim == 3:
            pixels = np.ascontiguousarray(np.moveaxis(pixels, 0, -1))
        path = folder / f"{stem}.tiff"
        try:
            with atomic(path) as temporary:
                tifffile.imwrite(
                    temporary,
                    pixels,
                    photometric="rgb" if pixels.ndim == 3 else "minisblack",
                    planarconfig="contig" if pixels.ndim == 3 else None,
                    description=describe(frame, scale),
                    software="Coldframe",
                    metadata=None,
                )
        except ValueError as error:
            raise StoreError(f"cannot write {path}: {error}") from error
        return path


def to_integers(frame: Frame) -> tuple[Array, dict[str, float]]:
    """Scale the usable values to 0..65535.

    Returns
    -------
    uint16, shaped as the data; {"zero", "scale"}: number = (ADU - zero) * scale, rounded. Pixels
    without data are 0.
    """
    usable = (frame.flags & np.uint8(UNUSABLE)) == 0
    usable &= np.isfinite(frame.channels).all(axis=0)
    least, most = 0.0, 0.0
    if usable.any():
        least = min(float(c[usable].min()) for c in frame.channels)
        most = max(float(c[usable].max()) for c in frame.channels)
    scale = _TOP / (most - least) if most > least else 1.0
    numbers = np.rint((frame.data.astype(np.float64) - least) * scale)
    numbers[..., (frame.flags & np.uint8(Flag.NO_DATA)) != 0] = 0
    return np.clip(np.nan_to_num(numbers), 0, _TOP).astype(np.uint16), {
        "zero": least,
        "scale": scale,
    }


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
