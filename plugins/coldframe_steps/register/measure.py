"""The measuring step: numbers about a frame's stars and sky."""

from __future__ import annotations

from collections.abc import Mapping

from coldframe.frame import Frame
from coldframe.step import Context, MeasureStep, Takes
from coldframe_steps.register.terms import COLUMNS, PARAMS, SOURCES


class MeasureStars(MeasureStep):
    """Counts stars and measures FWHM, roundness, sky and noise."""

    name = "measure-stars"
    version = "2"
    about = "Number of stars, FWHM, roundness, sky level and noise of every frame"
    params = {"threshold": PARAMS["threshold"]}
    takes = Takes(look=16, always=96 << 20)
    sources = SOURCES
    columns = COLUMNS

    def measure(self, frame: Frame, ctx: Context) -> Mapping[str, float]:
        """Raises SetAside when the frame has no usable pixels. Without stars, no fwhm."""
        # Compiled loops are loaded only where pixels are.
        from coldframe_steps.register.stars import find_stars

        return find_stars(frame, threshold=ctx.params["threshold"]).measures
