"""Small linear pictures turned into images inside the page."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass

import numpy as np

from coldframe.frame import Array
from coldframe.report.blocks import Picture
from coldframe.report.glance import Small

_QUALITY = 88
_SHADOW = 3.0  # sigmas of the sky that stay above black
_BRIGHTEST = 99.7  # percentile shown as white


@dataclass(frozen=True, slots=True)
class Tone:
    """A stretch in ADU about the sky's own level: black, white and where asinh bends."""

    black: float
    white: float
    softening: float


def fit_tone(small: Small) -> Tone | None:
    """A stretch that shows the faint parts of this picture; None when it has no data."""
    data = small.data - sky_levels(small)
    good = data[np.isfinite(data)]
    if good.size == 0:
        return None
    below = good[good <= 0]
    sigma = float(1.4826 * np.median(-below)) if below.size else 0.0
    white = float(np.percentile(good, _BRIGHTEST))
    sigma = sigma or white / 100 or 1.0
    black = -_SHADOW * sigma
    return Tone(black, max(white, 10 * sigma), 4 * sigma)


def sky_levels(small: Small) -> Array:
    """The median of each colour, (c, 1, 1); NaN for a colour without data."""
    flat = small.data.reshape(len(small.data), -1)
    levels = [
        np.median(row[np.isfinite(row)]) if np.isfinite(row).any() else np.nan for row in flat
    ]
    return np.array(levels, np.float32)[:, np.newaxis, np.newaxis]


def stretched(small: Small, tone: Tone) -> Array:
    """Values 0..1 under a stretch; black where nothing was measured."""
    above = small.data - sky_levels(small) - tone.black
    top = np.arcsinh((tone.white - tone.black) / tone.softening)
    values: Array = np.clip(np.arcsinh(above / tone.softening) / top, 0, 1)
    return np.nan_to_num(values, nan=0.0)


def picture(
    small: Small, tone: Tone, *, name: str, caption: str, alt: str, exact: bool = False
) -> Picture:
    """The picture under a stretch, as an image for the page."""
    return image(stretched(small, tone), name=name, caption=caption, alt=alt, exact=exact)


def image(values: Array, *, name: str, caption: str, alt: str, exact: bool = False) -> Picture:
    """Values 0..1, (h, w) or (c, h, w), as an image for the page."""
    from PIL import Image

    bytes8 = np.rint(255 * np.nan_to_num(values)).astype(np.uint8)
    if bytes8.ndim == 3:
        bytes8 = bytes8[0] if len(bytes8) == 1 else np.moveaxis(bytes8[:3], 0, -1)
    buffer = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(bytes8)).save(
        buffer, "JPEG", quality=_QUALITY, optimize=True
    )
    uri = "data:image/jpeg;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")
    height, width = bytes8.shape[:2]
    return Picture(uri, width, height, alt, name, caption, exact)
