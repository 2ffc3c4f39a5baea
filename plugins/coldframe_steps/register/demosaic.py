"""The demosaic step: a CFA mosaic becomes a colour frame."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, ClassVar

from coldframe.errors import SetAside
from coldframe.frame import Frame
from coldframe.step import Context, Flow, FrameStep, Takes


class Demosaic(FrameStep):
    """Interpolates the two colours that each pixel of a Bayer mosaic lacks.

    A frame that is in colour already is passed on as it is. Further planes of a mosaic (variance
    and the like) are dropped: they belong to the mosaic's values.
    """

    name = "demosaic"
    version = "2"
    about = "Interpolate a CFA mosaic to three colours at every pixel"
    params: ClassVar[Mapping[str, Mapping[str, Any]]] = {
        "method": {
            "description": "bilinear means the nearest pixels of a colour; linear-5x5 corrects "
            "them by the second derivative of the measured colour: sharper, less false colour.",
            "type": "string",
            "enum": ["linear-5x5", "bilinear"],
            "default": "linear-5x5",
        },
    }
    takes = Takes(mosaic=24)
    makes_colour = True
    flow = Flow(pixels=("mosaic", "colour"))
    sources = (
        "Malvar, He & Cutler 2004, Proc. IEEE ICASSP 3, 485 (gradient-corrected linear 5 x 5)",
    )

    def apply(self, frame: Frame, ctx: Context) -> Frame:
        """The colour frame.

        Raises SetAside when the frame is no mosaic or its pattern is not one of Bayer's.
        """
        # The compiled loops are loaded only where pixels are, so that listing steps stays quick.
        from coldframe_steps.kernels.demosaic import demosaic
        from coldframe_steps.kernels.mosaic import red_site

        if frame.data.ndim == 3:
            return frame
        cfa = frame.info.cfa
        if cfa is None:
            raise SetAside(
                f"{frame.info.label}: no CFA pattern is known, so it cannot be demosaiced. Leave "
                "the demosaic step out for a mono camera, or give the pattern as cfa in the "
                "night's notes file."
            )
        try:
            red_site(cfa)
        except ValueError as error:
            raise SetAside(
                f"{frame.info.label}: {error}; correct cfa in the night's notes file"
            ) from error
        if min(frame.shape) < 2:
            raise SetAside(f"{frame.info.label}: {frame.shape[0]} x {frame.shape[1]} is no mosaic")
        data, flags = demosaic(frame.data, frame.flags, cfa, ctx.params["method"])
        out = frame.with_pixels(data, flags, cfa=None)
        line = f"demosaic: {cfa} by {ctx.params['method']}"
        return replace(out, planes={}, history=(*frame.history, line))
