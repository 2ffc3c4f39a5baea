"""The finished frame as FITS, with everything that is known about it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from coldframe.frame import Frame
from coldframe.product import write_frame


class FitsWriter:
    """Writes linear float32 data, flags, further planes, header, history and provenance."""

    name = "fits"
    version = "1"
    about = "FITS 4.0: linear values in ADU with flags, planes, history, provenance and checksums"
    params: Mapping[str, Mapping[str, Any]] = {}

    def write(self, frame: Frame, folder: Path, stem: str, params: Mapping[str, Any]) -> Path:
        """Write folder/stem.fits. Raises StoreError when it cannot be written."""
        path = folder / f"{stem}.fits"
        write_frame(path, frame)
        return path
