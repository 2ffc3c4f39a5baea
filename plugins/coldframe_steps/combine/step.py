"""The combine step: calibration frames in, one master out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

import numpy as np

from coldframe.errors import SetAside, StepError
from coldframe.frame import UNUSABLE, Array, Frame
from coldframe.medians import median
from coldframe.step import Column, Context, Numbers, Row, StackStep, Takes, Tile
from coldframe_steps.combine.rejection import (
    REJECTION_PARAMS,
    REJECTION_SOURCES,
    check_count,
    rule_of,
)


class Combine(StackStep):
    """Mean, median or weighted mean of frames of one kind, with rejection and scaling."""

    name = "combine"
    version = "2"
    about = "Combine bias, dark or flat frames into a master, with rejection and scaling"
    params: ClassVar[Mapping[str, Mapping[str, Any]]] = {
        "method": {
            "type": "string",
            "enum": ["mean", "median", "weighted-mean"],
            "default": "mean",
            "description": "What to give of the samples that are kept; weights are 1 / noise^2",
        },
        "scale": {
            "type": "string",
            "enum": ["none", "median", "exposure"],
            "default": "none",
            "description": (
                "Multiply each frame before anything else: none; median, so that the frames' "
                "medians become equal (flats); exposure, so that the exposure times do (frames "
                "without bias)"
            ),
        },
        **REJECTION_PARAMS,
    }
    takes = Takes(mono=8, mosaic=8, colour=20, look=6, sample=0, tile=60, planes=10)
    sources = REJECTION_SOURCES
    columns: ClassVar[Mapping[str, Column]] = {
        "level": Column("ADU", "median of the usable pixels"),
        "noise": Column("ADU", "robust standard deviation of one pixel"),
        "level_scale": Column("ratio", "what the frame was multiplied by before combining"),
        "weight": Column("ratio", "weight among the frames combined, 1 for the highest"),
        "rejected_low": Column("%", "samples rejected as too low"),
        "rejected_high": Column("%", "samples rejected as too high"),
        "effective_frames": Column("count", "equal frames that would give the same noise"),
    }

    def survey(self, frame: Frame, ctx: Context) -> Numbers:
        """The frame's median level and its noise. Raises SetAside when no pixel is usable."""
        from coldframe.pixel_noise import pixel_noise

        levels, noises = [], []
        for channel in frame.channels:
            levels.append(_level(channel, frame.flags))
            noises.append(pixel_noise(channel, frame.flags))
        return {"level": np.array([np.mean(levels)]), "noise": np.array([np.mean(noises)])}

    def prepare(self, rows: Sequence[Row], ctx: Context) -> Numbers:
        """One scale and one weight a frame."""
        check_count(ctx.params, len(rows))
        scale = _scales(rows, ctx.params["scale"])
        noise = np.array([row.survey["noise"][0] for row in rows]) * scale
        noise = _positive(noise)
        weights = np.ones(len(rows))
        if ctx.params["method"] == "weighted-mean":
            weights = (noise.min() / noise) ** 2
        return {"level_scale": scale, "weight": weights, "variance": noise**2}

    def reduce(self, tile: Tile, ctx: Context) -> Mapping[str, Array]:
        """Planes: data, flags, variance (of the result), count, low and high (rejected)."""
        from coldframe_steps.kernels.stack import reduce_tile

        match = np.zeros((len(tile.data), 4))
        match[:, 0] = ctx.decision["level_scale"]
        planes = reduce_tile(
            tile.data,
            tile.flags,
            y0=tile.y0,
            match=match,
            weights=ctx.decision["weight"],
            relative=ctx.decision["variance"],
            rule=rule_of(ctx.params),
            median=ctx.params["method"] == "median",
        )
        del planes["weight"]
        return planes

    def finish(self, stack: Frame, ctx: Context) -> Frame:
        """Measure the master: its level, its noise and how much was rejected."""
        try:
            numbers = self.survey(stack, ctx)
        except SetAside as err:
            raise StepError(f"the master has {err}") from err
        weights = ctx.decision["weight"]
        return stack.with_measures(
            level=float(numbers["level"][0]),
            noise=float(numbers["noise"][0]),
            effective_frames=float(weights.sum() ** 2 / (weights**2).sum()),
            **rejected(stack),
        )


def rejected(stack: Frame) -> dict[str, float]:
    """Percentages of samples rejected low and high, from the count planes of a stack."""
    counts = {name: float(np.sum(stack.planes[name])) for name in ("count", "low", "high")}
    total = sum(counts.values()) or 1.0
    return {f"rejected_{name}": 100 * counts[name] / total for name in ("low", "high")}


def _level(data: Array, flags: Array) -> float:
    """Median of the usable pixels; of an even sample of them in a large frame."""
    thin = int(np.sqrt(data.size / 2_000_000)) | 1  # odd: all CFA colours take their turn
    few = data[::thin, ::thin]
    few = few[((flags[::thin, ::thin] & UNUSABLE) == 0) & np.isfinite(few)]
    if few.size == 0:
        raise SetAside("no usable pixels: all are flagged as without data or as hit by a transient")
    return float(median(few))


def _scales(rows: Sequence[Row], how: str) -> Array:
    """What to multiply each frame by."""
    if how == "none":
        return np.ones(len(rows))
    if how == "exposure":
        bad = [row.info.label for row in rows if not row.info.exposure]
        reason = "have no exposure time; give it in the night's notes file"
        values = np.array([row.info.exposure or 0.0 for row in rows])
    else:
        bad = [row.info.label for row in rows if not row.survey["level"][0] > 0]
        reason = "have a median level of 0 or less; are these flats, and is the bias right?"
        values = np.array([row.survey["level"][0] for row in rows])
    if bad:
        raise StepError(f"cannot scale by {how}: {', '.join(bad)} {reason}, or use scale: none")
    return np.asarray(np.median(values) / values, dtype=np.float64)


def _positive(noise: Array) -> Array:
    """Noise of the frames, none of them 0: constant frames must not get infinite weights."""
    known = noise[noise > 0]
    if known.size == 0:
        return np.full_like(noise, 1e-6)
    return np.maximum(noise, 1e-3 * float(np.median(known)))
