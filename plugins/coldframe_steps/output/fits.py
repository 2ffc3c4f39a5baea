"""The finished frame as FITS, with everything that is known about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from coldframe.frame import Frame
from coldframe.planes import only
from coldframe.product import write_frame
from coldframe.step import Takes
from coldframe_steps.output.options import option


class FitsWriter:
    """Writes linear float32 data, flags, further planes, header, history and provenance."""

    name = "fits"
    version = "2"
    about = "FITS 4.0: linear values in ADU with flags, planes, history, provenance and checksums"
    takes = Takes(mono=1, mosaic=1, colour=1, planes=18)
    params: Mapping[str, Mapping[str, Any]] = {
        "planes": {
            "description": "Which further planes go in: all, or those named, such as variance.",
            "anyOf": [{"const": "all"}, {"type": "array", "items": {"type": "string"}}],
            "default": "all",
        },
    }

    def write(self, frame: Frame, folder: Path, stem: str, params: Mapping[str, Any]) -> Path:
        """Write folder/stem.fits. Raises StoreError when it cannot be written."""
        path = folder / f"{stem}.fits"
        wanted = option(params, self.params, "planes")
        if wanted != "all":
            frame = replace(frame, planes=only(frame.planes, wanted))
        write_frame(path, frame)
        return path
