"""The calibrate step: from what the sensor wrote to what the sky sent."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any, ClassVar

from coldframe.frame import Frame, FrameInfo
from coldframe.step import Column, Context, Flow, FrameStep, Takes

_REGION: Mapping[str, Any] = {
    "type": ["array", "null"],
    "items": {"type": "integer", "minimum": 0},
    "minItems": 4,
    "maxItems": 4,
    "default": None,
    "unit": "px",
}


class Calibrate(FrameStep):
    """Subtract bias and dark, divide by the flat, flag and repair bad pixels."""

    name = "calibrate"
    version = "3"
    about = "Subtract bias and dark, divide by the flat, find bad pixels and repair them."
    master_kinds = ("bias", "dark", "flat", "dark-flat")
    params: ClassVar[Mapping[str, Mapping[str, Any]]] = {
        "dark_scaling": {
            "enum": ["none", "exposure", "fit"],
            "default": "exposure",
            "description": "Scale the dark not at all, by exposure, or by a fit to each frame's "
            "hot pixels (for sensors whose temperature drifts). By exposure, too, a dark more than "
            "3 °C off is fitted. Scaling needs a bias, a black level or an overscan: without any "
            "the dark is subtracted as it is.",
        },
        "repair": {
            "type": "boolean",
            "default": True,
            "description": "Replace hot and cold pixels of lights by the median of same-colour "
            "neighbours; else they are only flagged.",
        },
        "hot_threshold": {
            "type": "number",
            "exclusiveMinimum": 0,
            "default": 10,
            "unit": "sigma",
            "description": "A pixel is hot when the master dark stands this far above its "
            "same-colour neighbours.",
        },
        "cold_threshold": {
            "type": "number",
            "minimum": 0,
            "maximum": 1,
            "default": 0.5,
            "unit": "fraction",
            "description": "A pixel is cold when the master flat is below this share of its "
            "same-colour neighbours.",
        },
        "pedestal": {
            "type": "number",
            "minimum": 0,
            "default": 0,
            "unit": "ADU",
            "description": "Added to every pixel of a light, for files that cannot hold "
            "negative values.",
        },
        "overscan": {
            **_REGION,
            "description": "Overscan region [y0, y1, x0, x1] whose mean is the bias level of "
            "each frame; y1 and x1 are past the end.",
        },
        "overscan_by": {
            "enum": ["frame", "row"],
            "default": "frame",
            "description": "One overscan level for the frame, or one for each row.",
        },
        "trim": {
            **_REGION,
            "description": "Part of the frame to keep, [y0, y1, x0, x1].",
        },
    }
    columns: ClassVar[Mapping[str, Column]] = {
        "dark_scale": Column("ratio", "factor applied to the master dark's signal"),
        "dark_scale_sigma": Column("ratio", "standard uncertainty of the fitted factor"),
        "dark_scale_scatter": Column(
            "%", "how far hot pixels stray from the fitted dark: so much of their signal stays"
        ),
        "dark_unmatched": Column(
            "%", "dark signal beyond what was subtracted, when the dark could not be scaled"
        ),
        "overscan_level": Column("ADU", "level subtracted by overscan"),
        "hot_pixels": Column("count", "hot pixels in the master dark"),
        "cold_pixels": Column("count", "cold pixels in the master flat"),
        "repaired_pixels": Column("count", "pixels estimated from their neighbours"),
        "saturated_pixels": Column("count", "pixels at or above the white level"),
        "clipped_pixels": Column("count", "pixels at the bottom of the converter's range"),
    }
    flow = Flow(
        pixels=("mosaic", "mono"), registered=False, stacked=False, calibrates=True, crops=True
    )
    takes = Takes(mono=14, mosaic=14)
    sources = (
        "EMVA Standard 1288: linear camera model, dark signal and non-uniformity",
        "J. Janesick, Photon Transfer (2007): noise of offset, dark and flat correction",
        "Beaton & Tukey 1974, Technometrics 16, 147: biweight of the dark-scale fit",
        "White 1980, Econometrica 48, 817: uncertainty of the dark-scale fit",
    )

    def check_params(
        self, params: Mapping[str, Any], columns: Collection[str]
    ) -> Mapping[str, str]:
        """Regions must have a size."""
        return {
            name: f"{list(region)} has no pixels; give [first row, past last row, first column, "
            "past last column]"
            for name in ("overscan", "trim")
            if (region := params[name]) and not (region[0] < region[1] and region[2] < region[3])
        }

    def foresee(
        self, frame: FrameInfo, masters: Mapping[str, FrameInfo], params: Mapping[str, Any]
    ) -> str:
        """Which dark cannot be scaled, and which frames keep their offset."""
        from coldframe_steps.calibrate.foresight import foresee

        return foresee(frame, masters, params)

    def apply(self, frame: Frame, ctx: Context) -> Frame:
        """Calibrate one light, flat, dark or bias with the masters in `ctx.masters`.

        Raises
        ------
        SetAside
            The frame is in colour, a master has another size or CFA pattern, the dark is
            brighter than the light, or a flat frame is near saturation.
        StepError
            The master flat is no good, or a region lies outside the frame.
        """
        # Compiled loops are imported where frames are worked on, so that listing steps is quick.
        from coldframe_steps.calibrate.process import calibrate

        defaults = {name: rule["default"] for name, rule in self.params.items()}
        return calibrate(frame, ctx.masters, {**defaults, **ctx.params}, self.version, ctx.log)
