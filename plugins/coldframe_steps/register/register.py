"""The register step: every frame of a group onto the pixels of one of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, ClassVar

import numpy as np

from coldframe.errors import SetAside
from coldframe.frame import Array, Frame
from coldframe.step import Column, Context, Flow, FrameStep, Numbers, Row, Takes
from coldframe_steps.register.lasting import lasting, repaired, standing_out
from coldframe_steps.register.onto import onto_reference, reference_name
from coldframe_steps.register.reference import pick_reference, usual_by_filter
from coldframe_steps.register.terms import COLUMNS, PARAMS, SOURCES

# Compiled loops are loaded only where pixels are, so that listing the steps stays quick.

STARRY = 40  # "stars" from which a frame needs no picture: some are the knots of a nebula


class Register(FrameStep):
    """Finds stars, matches them to the reference frame's, and resamples onto its pixels.

    The reference keeps its pixels (demosaiced when it is a CFA mosaic). Further planes of a frame
    are dropped: they belong to the old pixels.
    """

    anchored = True
    name = "register"
    version = "5"
    about = "Demosaic, match stars to a reference frame and resample onto its pixels"
    params: ClassVar[Mapping[str, Mapping[str, Any]]] = {
        "reference": {
            "description": "File name of the reference frame, or 'auto' for the best one: many "
            "stars, small FWHM, round stars, low noise.",
            "type": "string",
            "default": "auto",
        },
        "model": {
            "description": "Map between frames; 'auto' takes the simplest one that is not "
            "significantly worse than the best. With too few stars for it a simpler one is taken.",
            "type": "string",
            "enum": [
                "auto",
                "shift",
                "rotation",
                "similarity",
                "affine",
                "homography",
                "polynomial",
            ],
            "default": "auto",
        },
        "method": {
            "description": "Resampling: lanczos3 keeps the most detail, bilinear smooths noise.",
            "type": "string",
            "enum": ["lanczos3", "bicubic", "bilinear", "nearest"],
            "default": "lanczos3",
        },
        "limit_ringing": {
            "description": "Hold the resampling's ringing around bright cores.",
            "type": "boolean",
            "default": True,
        },
        "demosaic": {
            "description": "How colour is made from a CFA mosaic; linear-5x5 corrects by gradients.",
            "type": "string",
            "enum": ["linear-5x5", "bilinear"],
            "default": "linear-5x5",
        },
        "min_stars": {
            "description": "A frame with fewer stars is not matched by stars; it is registered by "
            "its nebula where that proves the shift, else set aside.",
            "type": "integer",
            "minimum": 3,
            "default": 3,
            "unit": "stars",
        },
        "max_residual": {
            "description": "A frame whose matched stars miss by more, root mean square, is set "
            "aside.",
            "type": "number",
            "exclusiveMinimum": 0,
            "default": 1.0,
            "unit": "px",
        },
        "max_blur": {
            "description": "A frame whose stars are wider than the usual ones of its filter by "
            "more than this factor is set aside: rejection would take its light from the wings "
            "of bright stars.",
            "type": "number",
            "exclusiveMinimum": 1,
            "default": 1.5,
            "unit": "ratio",
        },
        **PARAMS,
    }
    takes = Takes(mono=24, mosaic=34, colour=40, look=16, always=96 << 20)
    makes_colour = True
    flow = Flow(registers=True)
    sources = (
        *SOURCES,
        "Groth 1986, AJ 91, 1244; Valdes et al. 1995, PASP 107, 1119 (star triangles)",
        "Lang et al. 2010, AJ 139, 1782 (testing an alignment against chance)",
        "Umeyama 1991, IEEE PAMI 13, 376 (similarity)",
        "Hartley & Zisserman 2004, Multiple View Geometry, 2nd ed. (homography)",
        "Hastie, Tibshirani & Friedman 2009, The Elements of Statistical Learning, 7.10 "
        "(one-standard-error rule)",
        "Akaike 1974, IEEE Trans. Autom. Control 19, 716 (models by a few stars)",
        "Kuglin & Hines 1975, Proc. IEEE Int. Conf. Cybernetics and Society, 163; Guizar-Sicairos, "
        "Thurman & Fienup 2008, Opt. Lett. 33, 156 (shift without stars)",
    )
    columns: ClassVar[Mapping[str, Column]] = {
        **COLUMNS,
        "residual": Column("px", "root mean square distance of matched stars with SNR > 20"),
        "matched": Column("count", "stars matched to the reference and kept in the fit"),
        "rotation": Column("deg", "rotation from the reference to this frame"),
        "scale": Column("ratio", "this frame's pixels per pixel of the reference"),
        "shift_y": Column("px", "shift down of the frame's centre from the reference's"),
        "shift_x": Column("px", "shift right of the frame's centre from the reference's"),
        "hot_from_lights": Column("count", "hot pixels told from the lights, without a dark"),
        "flux_ratio": Column("ratio", "median flux of matched stars over that in the reference"),
    }

    def survey(self, frame: Frame, ctx: Context) -> Numbers:
        """table : float64 (n, 8), see `stars.TABLE`; shape : (y, x); and the measures.

        Of a frame with hardly a star but a nebula also picture and cell, see `picture.picture`.
        Of lights without a dark also what may be hot pixels, see `lasting.standing_out`.
        """
        from coldframe_steps.register.stars import find_stars

        field = find_stars(frame, ctx.params["threshold"], ctx.params["max_stars"])
        numbers = {name: np.array([value]) for name, value in field.measures.items()}
        if len(field.table) < max(STARRY, ctx.params["min_stars"]):
            from coldframe_steps.register.picture import picture, tells

            halves, cell = picture(frame)
            if tells(halves):
                numbers |= {"picture": halves, "cell": np.array([float(cell)])}
        shape = np.array(frame.shape, np.float64)
        return {"table": field.table, "shape": shape, **numbers, **standing_out(frame)}

    def decide(self, rows: Sequence[Row], ctx: Context) -> Numbers:
        """The reference: its row, its star table, its shape and its name (code points).

        usual_fwhm (px) and usual_stars : (n,), of each frame's filter. Later nights are registered
        to the reference of the first (row -1), and compared with the focus of comparable frames.

        Raises StepError when no frame can be the reference.
        """
        own = {
            "usual_fwhm": usual_by_filter(rows, "fwhm"),
            "usual_stars": usual_by_filter(rows, "stars"),
            **lasting(rows),
        }
        if ctx.decision:
            kept = {k: v for k, v in ctx.decision.items() if not k.startswith("hot_")}
            return {**kept, "reference": np.array([-1.0]), **own}
        index = pick_reference(rows, ctx.params["reference"], ctx.params["min_stars"])
        chosen = rows[index]
        ctx.log.info("reference frame: %s", chosen.info.label)
        return {
            "reference": np.array([float(index)]),
            "reference_table": chosen.survey["table"],
            "reference_shape": chosen.survey["shape"],
            "reference_name": np.array([float(ord(c)) for c in chosen.info.label]),
            **(
                {"reference_picture": chosen.survey["picture"]}
                if "picture" in chosen.survey
                else {}
            ),
            **own,
        }

    def apply(self, frame: Frame, ctx: Context) -> Frame:
        """The frame on the reference's pixels.

        Raises SetAside, with numbers, when it cannot be registered.
        """
        from coldframe_steps.kernels.warp import warp

        frame = repaired(frame, ctx.decision, ctx.index)
        if ctx.index == int(ctx.decision["reference"][0]):
            return _as_reference(frame, ctx)
        _check_focus(frame, ctx)
        height, width = (int(size) for size in ctx.decision["reference_shape"])
        found = onto_reference(frame, ctx, (height, width))
        data, flags = _colour(frame, ctx)
        transform = found.transform
        data, flags = warp(
            data,
            flags,
            transform.matrix,
            transform.poly,
            transform.norm,
            (height, width),
            ctx.params["method"],
            ctx.params["limit_ringing"],
        )
        told = found.measures
        line = f"register: onto {reference_name(ctx)} {found.how}; {ctx.params['method']}"
        ctx.log.debug("%s: %s; %s", frame.info.label, line, found.reason)
        out = frame.with_pixels(data, flags, cfa=None, shape=(height, width))
        return replace(out.with_measures(**told), planes={}, history=(*frame.history, line))


def _check_focus(frame: Frame, ctx: Context) -> None:
    own, usual = ctx.survey.get("fwhm"), float(ctx.decision["usual_fwhm"][ctx.index])
    fwhm = 0.0 if own is None else float(own[0])
    if fwhm > ctx.params["max_blur"] * usual:
        raise SetAside(
            f"{frame.info.label}: its stars are {fwhm:.1f} px wide (FWHM), {fwhm / usual:.1f} times "
            f"the usual {usual:.1f} px, {ctx.params['max_blur']:g} times allowed ('max_blur'); "
            "out of focus, shaken or poor seeing?"
        )


def _as_reference(frame: Frame, ctx: Context) -> Frame:
    data, flags = _colour(frame, ctx)
    measures = {
        "residual": 0.0,
        "matched": float(len(ctx.survey["table"])),
        "rotation": 0.0,
        "scale": 1.0,
        "shift_y": 0.0,
        "shift_x": 0.0,
        "flux_ratio": 1.0,
    }
    out = frame.with_pixels(data, flags, cfa=None, shape=frame.shape).with_measures(**measures)
    line = f"register: the reference frame, {len(ctx.survey['table'])} stars"
    return replace(out, planes={}, history=(*frame.history, line))


def _colour(frame: Frame, ctx: Context) -> tuple[Array, Array]:
    """Data and flags, demosaiced when the frame is a CFA mosaic."""
    if frame.info.cfa is None or frame.data.ndim == 3:
        return frame.data, frame.flags
    from coldframe_steps.kernels.demosaic import demosaic

    return demosaic(frame.data, frame.flags, frame.info.cfa, ctx.params["demosaic"])
