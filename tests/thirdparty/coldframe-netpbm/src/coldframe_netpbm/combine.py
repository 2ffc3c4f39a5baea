"""A rejection rule of our own: leave out each pixel's lowest and highest share."""

import numpy as np

from coldframe.frame import UNUSABLE, Flag
from coldframe.step import StackStep


class PercentileCombine(StackStep):
    name = "percentile-combine"
    version = "1"
    about = "Mean of the values between two percentiles"
    min_frames = 3
    params = {
        "low": {
            "description": "Share left out at the bottom.",
            "type": "number",
            "minimum": 0,
            "maximum": 50,
            "default": 20,
            "unit": "%",
        },
        "high": {
            "description": "Share left out at the top.",
            "type": "number",
            "minimum": 0,
            "maximum": 50,
            "default": 20,
            "unit": "%",
        },
    }
    sources = ["common practice, no source"]

    def reduce(self, tile, ctx):
        values = np.where(tile.flags & UNUSABLE, np.nan, tile.data.astype(np.float64))
        low, high = np.nanpercentile(values, [ctx.params["low"], 100 - ctx.params["high"]], axis=0)
        kept = (values >= low) & (values <= high)
        count = kept.sum(axis=0)
        total = np.where(kept, values, 0.0).sum(axis=0)
        return {
            "data": np.where(count, total / np.maximum(count, 1), 0).astype(np.float32),
            "flags": np.where(count, 0, Flag.NO_DATA).astype(np.uint8),
            "count": count.astype(np.uint16),
        }
