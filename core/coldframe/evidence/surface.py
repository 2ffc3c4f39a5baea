"""Probe: how flat the sky of a stack is, and of what was made of it."""

from __future__ import annotations

import numpy as np

from coldframe.evidence.probes import alive
from coldframe.evidence.shape import box_levels, fit_shape
from coldframe.frame import Array, Frame
from coldframe.specs import ProbeTask
from coldframe.step import Numbers
from coldframe.store import Store


def probe(spec: ProbeTask, store: Store) -> Numbers:
    """For each product, by its part: its sky in boxes (means over the colours), its shape, noise.

    `PART boxes` : (rows, columns), ADU. `PART sky`, `PART tilt` (ADU), `PART falloff`, `PART range`
    (ADU, from the box at the 5th to the one at the 95th percentile) : (1,).
    """
    out: dict[str, Array] = {}
    for part, keys in spec.keys.items():
        for key in alive(store, keys):
            out |= {f"{part} {name}": value for name, value in surface(store.frame(key)).items()}
    return out


def surface(frame: Frame) -> Numbers:
    """The sky of one frame, see `probe`."""
    levels = np.mean([box_levels(channel, frame.flags) for channel in frame.channels], axis=0)
    known = levels[np.isfinite(levels)]
    if not known.size:
        return {}
    low, high = np.percentile(known, (5, 95))
    out = {"boxes": levels, "range": np.array([high - low])}
    shape = fit_shape(levels)
    if shape is not None:
        out |= {
            "sky": np.array([shape.level]),
            "tilt": np.array([shape.tilt]),
            "falloff": np.array([shape.falloff]),
        }
    return out
