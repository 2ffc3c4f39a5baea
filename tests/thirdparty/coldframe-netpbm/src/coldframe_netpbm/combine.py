"""A stack step of our own: the mean without each pixel's lowest and highest share."""

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
        usable = (tile.flags & UNUSABLE) == 0
        count = usable.sum(axis=0)
        # What is not usable goes to the end, behind all that is.
        ranked = np.sort(np.where(usable, tile.data.astype(np.float64), np.inf), axis=0)
        ranked[:, count == 0] = 0
        low = percentile(ranked, count, ctx.params["low"])
        high = percentile(ranked, count, 100 - ctx.params["high"])
        kept = usable & (tile.data >= low) & (tile.data <= high)
        number = kept.sum(axis=0)
        total = np.where(kept, tile.data, 0.0).sum(axis=0)
        flags = np.bitwise_or.reduce(np.where(kept, tile.flags, 0), axis=0)
        return {
            "data": np.where(number, total / np.maximum(number, 1), 0).astype(np.float32),
            "flags": np.where(number, flags, Flag.NO_DATA).astype(np.uint8),
            "count": number.astype(np.uint16),
        }


def percentile(ranked, count, share):
    """Percentile of the first `count` of each pixel's ranked samples, linear between them."""
    place = np.maximum(count - 1, 0) * share / 100
    below = np.floor(place).astype(int)[np.newaxis]
    above = np.ceil(place).astype(int)[np.newaxis]
    a, b = (np.take_along_axis(ranked, where, axis=0)[0] for where in (below, above))
    return a + (place - below[0]) * (b - a)
