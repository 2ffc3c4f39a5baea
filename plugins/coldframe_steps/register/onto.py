"""How one frame lies on the reference: by its stars, else by its nebula, else why it does not."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from coldframe.errors import SetAside
from coldframe.frame import Frame
from coldframe.step import Context

if TYPE_CHECKING:
    from coldframe_steps.register.align import Alignment

NEBULA = "shift by the nebula"
LOST = 0.35  # of the usual stars; a frame that shows more has no cloud to blame


def onto_reference(frame: Frame, ctx: Context, shape: tuple[int, int]) -> Alignment:
    """shape : (y, x) of the reference, px. Raises SetAside with every reason, in numbers."""
    label, reference = frame.info.label, reference_name(ctx)
    own, theirs = len(ctx.survey["table"]), len(ctx.decision["reference_table"])
    least = ctx.params["min_stars"]
    found: Alignment | None = None
    if min(own, theirs) >= least:
        found, reason = _by_stars(frame, ctx, shape)
    elif own < least:
        reason = f"only {own} stars found, {least} needed ('min_stars'){_cloud(ctx, own)}"
    else:
        reason = f"{reference} shows only {theirs} stars, {least} needed ('min_stars')"
    if found is None and "picture" in ctx.survey and "reference_picture" in ctx.decision:
        found, more = _by_nebula(ctx)
        reason += f"; by its nebula: {more}"
    if found is None:
        raise SetAside(f"{label}: {_other_size(frame, shape)}{reason}")
    return found


def _by_stars(frame: Frame, ctx: Context, shape: tuple[int, int]) -> tuple[Alignment | None, str]:
    from coldframe_steps.register.align import align
    from coldframe_steps.register.match import NoMatch

    reference = reference_name(ctx)
    theirs = ctx.decision["reference_table"]
    try:
        found = align(ctx.survey["table"], theirs, frame.shape, shape, ctx.params["model"])
    except NoMatch as error:
        return None, f"another field than {reference}? {error}"
    except ValueError as error:
        return None, f"cannot be registered onto {reference} ('model'): {error}"
    residual, limit = found.measures["residual"], ctx.params["max_residual"]
    if residual > limit:
        return None, (
            f"its {found.transform.matched} matched stars miss those of {reference} by "
            f"{residual:.2f} px rms, {limit:g} px allowed ('max_residual'); trailed stars, or too "
            f"plain a model ({found.transform.model})?"
        )
    return found, ""


def _by_nebula(ctx: Context) -> tuple[Alignment | None, str]:
    from coldframe_steps.register.align import Alignment
    from coldframe_steps.register.picture import NotSure, place
    from coldframe_steps.register.transform import Transform

    try:
        at = place(
            ctx.survey["picture"], ctx.decision["reference_picture"], int(ctx.survey["cell"][0])
        )
    except NotSure as error:
        return None, str(error)
    if at.error > ctx.params["max_residual"]:
        return None, f"its shift is known to {at.error:.2f} px only ('max_residual')"
    measures = {
        "residual": at.error,
        "matched": 0.0,
        "rotation": 180.0 if at.turned else 0.0,
        "scale": 1.0,
        "shift_y": at.shift_y,
        "shift_x": at.shift_x,
        "flux_ratio": at.brightness,
    }
    return Alignment(Transform(at.matrix, NEBULA), measures, False, f"error {at.error:.2f} px"), ""


def _other_size(frame: Frame, shape: tuple[int, int]) -> str:
    if frame.shape == shape:
        return ""
    (h, w), (height, width) = frame.shape, shape
    return (
        f"it is {w} x {h} px, the reference {width} x {height}: a window, a preview or another "
        "readout mode? "
    )


def _cloud(ctx: Context, own: int) -> str:
    """What the count of the other lights says about this one's."""
    usual = float(ctx.decision["usual_stars"][ctx.index])
    if not np.isfinite(usual):
        return ""
    if own < LOST * usual:
        return f", {usual:.0f} in the usual light; cloud or bad focus?"
    return f"; the other lights show {usual:.0f}: a sparse field, or lower 'threshold'"


def reference_name(ctx: Context) -> str:
    """Label of the reference frame, which a decision holds as numbers."""
    return "".join(chr(int(code)) for code in ctx.decision["reference_name"])
