"""The background-fit step: take the sky's glow off a frame and leave the nebula standing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from coldframe.frame import Frame
from coldframe.step import Column, Context, Flow, FrameStep, Takes


class BackgroundFit(FrameStep):
    """Fit a smooth surface to the sky and subtract it, or divide by it."""

    name = "background-fit"
    version = "5"
    about = "Fit a smooth surface to the sky between stars and nebulae and remove it."
    params: ClassVar[Mapping[str, Mapping[str, Any]]] = {
        "model": {
            "enum": ["polynomial", "thin-plate"],
            "default": "polynomial",
            "description": "The surface: a polynomial, stiff and safe; or a polynomial and a "
            "thin-plate spline on top, for glow that a polynomial alone cannot follow.",
        },
        "order": {
            "type": "integer",
            "minimum": 1,
            "maximum": 4,
            "default": 2,
            "description": "Order of the polynomial at most, also of the one that a thin-plate "
            "spline is laid upon. Where an object leaves too little sky free, the least bent surface "
            "that the samples allow is taken.",
        },
        "stiffness": {
            "type": "number",
            "minimum": 0,
            "default": 0.001,
            "unit": "ratio",
            "description": "Stiffness of the thin-plate spline: 0 goes through every sample, 1 "
            "leaves little but the polynomial.",
        },
        "patches_across": {
            "type": "integer",
            "minimum": 8,
            "maximum": 100,
            "default": 32,
            "unit": "count",
            "description": "Patches along the frame's longer side, each of which gives a sky sample.",
        },
        "patch_size": {
            "type": "integer",
            "minimum": 0,
            "default": 0,
            "unit": "px",
            "description": "Side of a patch; 0 for as large as their spacing, up to 64.",
        },
        "remove_by": {
            "enum": ["subtract", "divide"],
            "default": "subtract",
            "description": "Subtract the surface (glow of the sky), or divide by it (what a flat "
            "left behind).",
        },
        "protect_nebula": {
            "type": "number",
            "minimum": 0,
            "maximum": 1,
            "default": 0.5,
            "unit": "ratio",
            "description": "How hard to look for faint extended structure and how far to stay "
            "away from it; 0 avoids stars only, for frames without nebula and for uneven glow. "
            "Above 0, sky and an object that fills the frame are told apart as well.",
        },
        "exclude_circle": {
            "type": ["array", "null"],
            "items": {"type": "number", "minimum": 0},
            "minItems": 3,
            "maxItems": 3,
            "default": None,
            "unit": "fraction",
            "description": "A circle that holds no sky: [y, x, radius] as fractions of the "
            "height, the width and the shorter side.",
        },
        "keep_level": {
            "type": "boolean",
            "default": True,
            "description": "Add the surface's median back, so that sky stays positive.",
        },
    }
    columns: ClassVar[Mapping[str, Column]] = {
        "background_rms": Column("ADU", "scatter of the sky samples about the surface"),
        "background_range": Column("ADU", "surface, peak to valley"),
        "samples": Column("count", "sky samples used"),
        "background_error": Column("ADU", "how sure the surface is: rms error over the frame"),
        "object_error": Column("%", "how sure the brightness of the object told apart is"),
        "background_left": Column(
            "ADU", "bend of the sky not removed: it may be an object's light"
        ),
    }
    flow = Flow(pixels=("mono", "colour"))
    takes = Takes(mono=9, colour=25)
    sources = (
        "Duchon 1977; Wahba 1990, Spline Models for Observational Data: thin-plate splines",
        "Rousseeuw 1984, J. Am. Stat. Assoc. 79, 871: least trimmed squares",
        "Newey & Powell 1987, Econometrica 55, 819: asymmetric least squares",
        "Golub & Pereyra 1973, SIAM J. Numer. Anal. 10, 413: variable projection",
        "Schwarz 1978, Ann. Stat. 6, 461: the Bayesian information criterion",
        "Beaton & Tukey 1974, Technometrics 16, 147: biweight",
    )

    def apply(self, frame: Frame, ctx: Context) -> Frame:
        """Remove the background of one frame; the surface becomes the plane "background".

        Raises
        ------
        SetAside
            The frame is a CFA mosaic, too little sky is left for the surface, or the surface is
            not positive where it should divide.
        """
        # Splines and compiled loops are slow to import, and listing steps needs neither.
        from coldframe_steps.background.process import fit_background

        defaults = {name: rule["default"] for name, rule in self.params.items()}
        return fit_background(frame, {**defaults, **ctx.params}, self.version, ctx.log)
