"""The numbers by which a master is judged on its page in the calibration library."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

import numpy as np

from coldframe.frame import UNUSABLE, Frame, Kind
from coldframe.step import Column, Context, MeasureStep


class MeasureMaster(MeasureStep):
    """Noise left in a master, and a dark's hot pixels."""

    name = "measure-master"
    version = "1"
    about = "Measure a master: its temporal noise and, in a dark, its hot pixels."
    params: ClassVar[Mapping[str, Mapping[str, Any]]] = {
        "hot_threshold": {
            "type": "number",
            "exclusiveMinimum": 0,
            "default": 10,
            "unit": "sigma",
            "description": "A pixel is hot when it stands this far above its same-colour "
            "neighbours.",
        },
    }
    sources = (
        "EMVA Standard 1288, release 4.0, section 4: temporal noise and spatial nonuniformity",
        "F. R. Hampel (1974), JASA 69, 383: sigma from the median absolute deviation",
    )
    columns: ClassVar[Mapping[str, Column]] = {
        "temporal_noise": Column("ADU", "noise that the master adds: root of its median variance"),
        "hot_pixels": Column("count", "pixels far above their same-colour neighbours"),
        "hot_share": Column("%", "share of such pixels"),
    }

    def measure(self, frame: Frame, ctx: Context) -> Mapping[str, float]:
        """The numbers that the master's planes and kind allow."""
        out: dict[str, float] = {}
        variance = frame.planes.get("variance")
        if variance is not None:
            good = variance[((frame.flags & UNUSABLE) == 0) & np.isfinite(variance)]
            if good.size:
                out["temporal_noise"] = float(np.sqrt(max(0.0, float(np.median(good)))))
        if frame.info.kind is Kind.DARK:
            from coldframe_steps.calibrate.masters import hot_pixels

            found = hot_pixels(frame, None, frame.info.cfa, ctx.params["hot_threshold"])
            out["hot_pixels"] = float(found.index.size)
            out["hot_share"] = 100.0 * found.index.size / frame.flags.size
        return out
