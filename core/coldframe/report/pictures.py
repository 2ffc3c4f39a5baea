"""Small frames and maps turned into images inside the page."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from coldframe.frame import UNUSABLE, Array, Frame
from coldframe.report.blocks import Picture
from coldframe.stretch import Stretch, fit_stretch, render, sky_level

_QUALITY = 88


def fit(frame: Frame) -> Stretch | None:
    """One stretch for all colours that shows the faint parts; None without a usable pixel."""
    return fit_stretch(frame.data, frame.flags, together=True)


def moved(stretch: Stretch, fitted: Sequence[float], other: Sequence[float]) -> Stretch:
    """The same stretch about another frame's sky: what was fitted to one, ready for the other.

    fitted, other : the `skies` of the two frames, which may stand on different levels, as a raw
    light does on its bias.
    """
    shifts = [b - a for a, b in zip(fitted, other, strict=True)]
    black = [
        level + (shift if np.isfinite(shift) else 0.0)
        for level, shift in zip(stretch.black, shifts, strict=True)
    ]
    return replace(stretch, black=tuple(black))


def skies(frame: Frame) -> list[float]:
    """Level of the sky in each colour, ADU."""
    good = (frame.flags & np.uint8(UNUSABLE)) == 0
    every = bool(good.all())
    return [sky_level(channel if every else channel[good])[0] for channel in frame.channels]


def picture(
    frame: Frame, stretch: Stretch, *, name: str, caption: str, alt: str, exact: bool = False
) -> Picture:
    """The frame under a stretch, as an image for the page."""
    return image(render(frame, stretch), name=name, caption=caption, alt=alt, exact=exact)


def image(values: Array, *, name: str, caption: str, alt: str, exact: bool = False) -> Picture:
    """uint8 (h, w) or (h, w, 3) as an image for the page."""
    from PIL import Image

    buffer = io.BytesIO()
    Image.fromarray(values).save(buffer, "JPEG", quality=_QUALITY, optimize=True)
    uri = "data:image/jpeg;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")
    height, width = values.shape[:2]
    return Picture(uri, width, height, alt, name, caption, exact)
