"""Measures the stars of raw lights for the inspection, with the code that registers frames."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from coldframe.frame import Array, Frame
from coldframe_steps.register.terms import FWHM, X, Y

LARGEST = (2000, 3000)  # px (y, x): of a larger frame the middle is enough, and far quicker
STARS = 200  # brightest ones whose positions tell a field
SHARPEST = 1.2  # px FWHM: full hot pixels, which a raw frame does not flag yet, are sharper
THRESHOLD = 5.0  # sigma, as the steps' own default


class Gauge:
    """Star count, FWHM and roundness of a raw light, and whether two show the same field."""

    name = "register"
    version = "2"

    def measure(self, frame: Frame) -> tuple[Mapping[str, float], Array]:
        """See `coldframe.hooks.StarGauge`. At most 6 megapixels are searched."""
        # Compiled loops are loaded only where pixels are.
        from coldframe_steps.register.stars import find_stars

        found = find_stars(_middle(frame), threshold=THRESHOLD)
        stars = found.table[found.table[:, FWHM] >= SHARPEST]
        measures = {**found.measures, "stars": float(len(stars))}
        return measures, np.ascontiguousarray(stars[:STARS][:, [X, Y]])

    def same_field(self, own: Array, other: Array) -> bool:
        """See `coldframe.hooks.StarGauge` and `match.match_stars`."""
        from coldframe_steps.register.match import NoMatch, match_stars

        try:
            match_stars(own, other)
        except NoMatch:
            return False
        return True


def _middle(frame: Frame) -> Frame:
    """The middle of a large frame, the CFA's pattern kept."""
    (y0, y1), (x0, x1) = (
        ((start := max((size - most) // 4 * 2, 0)), start + min(size, most))
        for size, most in zip(frame.shape, LARGEST, strict=True)
    )
    data = frame.data[..., y0:y1, x0:x1].astype(np.float32)
    return frame.with_pixels(data, np.ascontiguousarray(frame.flags[y0:y1, x0:x1]))
