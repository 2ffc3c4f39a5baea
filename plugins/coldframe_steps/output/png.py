"""A stretched picture of the finished frame for looking at."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from coldframe.frame import Frame
from coldframe.product import atomic
from coldframe.step import Takes
from coldframe.stretch import fit_stretch, preview, render
from coldframe_steps.output.options import option


class PngWriter:
    """Writes an 8-bit PNG marked as sRGB; its Description text holds the stretch that was used and
    the product's key."""

    name = "png"
    version = "3"
    about = "PNG preview: averaged down, stretched by asinh to show the faint sky, sRGB"
    takes = Takes(mono=13, mosaic=13, colour=16, planes=1, always=80 << 20)
    params: Mapping[str, Mapping[str, Any]] = {
        "stretch": {
            "description": "together: one curve for all colours, so that hues are kept. "
            "per-colour: one curve for each, which evens out the colour of the sky.",
            "type": "string",
            "enum": ["together", "per-colour"],
            "default": "together",
        },
        "balance": {
            "description": "stars: where colours are stretched together, make the stars of the field "
            "grey as a whole. none: show the sensor's own colours.",
            "type": "string",
            "enum": ["stars", "none"],
            "default": "stars",
        },
        "max_side": {
            "description": "The longer side is averaged down to this.",
            "type": "integer",
            "minimum": 16,
            "maximum": 65535,
            "default": 2000,
            "unit": "px",
        },
    }

    def write(self, frame: Frame, folder: Path, stem: str, params: Mapping[str, Any]) -> Path:
        """Write folder/stem.png. Raises StoreError when it cannot be written."""
        from PIL import Image
        from PIL.PngImagePlugin import PngInfo

        small = preview(frame, option(params, self.params, "max_side"))
        stretch = fit_stretch(
            small.data,
            small.flags,
            together=option(params, self.params, "stretch") == "together",
            balance=option(params, self.params, "balance") == "stars",
        )
        text = PngInfo()
        text.add(b"sRGB", b"\0")  # rendering intent: perceptual (PNG, third edition, 11.3.2.5)
        text.add_text("Software", "Coldframe")
        told: dict[str, Any] = {}
        if stretch is not None:
            curve = asdict(stretch)
            told["stretch"] = "together" if curve.pop("together") else "per-colour"
            told["asinh"] = curve
        told |= {"product": frame.provenance[0].key} if frame.provenance else {}
        if told:
            text.add_text("Description", json.dumps(told))
        path = folder / f"{stem}.png"
        with atomic(path) as temporary:
            Image.fromarray(render(small, stretch)).save(temporary, format="PNG", pnginfo=text)
        return path
