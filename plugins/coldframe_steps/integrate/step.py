"""The integrate step: registered frames in, one deep stack out."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from typing import Any, ClassVar

import numpy as np

from coldframe.errors import SetAside, StepError
from coldframe.frame import UNUSABLE, Array, Flag, Frame
from coldframe.step import Column, Context, Flow, Numbers, Row, StackStep, Takes, Tile
from coldframe_steps.combine.rejection import (
    REJECTION_PARAMS,
    REJECTION_SOURCES,
    check_count,
    rule_of,
)
from coldframe_steps.combine.step import rejected
from coldframe_steps.integrate.match import match_frames
from coldframe_steps.integrate.missing import lacking
from coldframe_steps.integrate.rule import (
    KNOWN,
    REJECT,
    check_known,
    noise_slopes,
    rule_for,
    verdict,
)
from coldframe_steps.integrate.sky import sky_grid
from coldframe_steps.integrate.weights import OWN, check_weights, frame_weights
from coldframe_steps.kernels.options import Softening, margin


class Integrate(StackStep):
    """Weighted mean of registered frames, matched to one sky and flux, with rejection."""

    name = "integrate"
    version = "3"
    about = "Stack registered frames: sky and flux matched, outliers rejected, weighted"
    params: ClassVar[Mapping[str, Mapping[str, Any]]] = {
        "match_sky": {
            "type": "string",
            "enum": ["none", "offset", "offset-scale", "plane"],
            "default": "plane",
            "description": (
                "How each frame is brought to the sky of the reference: not at all; an offset a "
                "colour; that after scaling to equal star flux; a tilted plane after scaling"
            ),
        },
        "weights": {
            "type": "string",
            "enum": ["auto", "noise", "fwhm", "equal", "expression"],
            "default": "auto",
            "description": (
                "What a frame counts: noise, 1 / noise^2 at equal flux, for the lowest noise; "
                "fwhm, 1 / (noise fwhm)^2, for the highest SNR of stars; equally; or the "
                "expression. auto: fwhm for frames of several nights, whose seeing and focus "
                "differ, and noise for those of one"
            ),
        },
        "expression": {
            "type": "string",
            "default": "",
            "description": (
                "With weights: expression, arithmetic over measured columns, such as "
                '"roundness / (noise * fwhm) ** 2": + - * / ** ( ), abs exp log max min sqrt'
            ),
        },
        **REJECTION_PARAMS,
        "reject": REJECT,
        "low": {**REJECTION_PARAMS["low"], "default": 4.3},
        "high": {**REJECTION_PARAMS["high"], "default": 3.5},
        "trail_margin": {
            "type": "integer",
            "minimum": 0,
            "maximum": 20,
            "default": 4,
            "unit": "px",
            "description": (
                "How far the rejection of trails reaches beyond what was found too high; single "
                "rejected pixels do not grow, and none do with none and min-max"
            ),
        },
        "star_tolerance": {
            "type": "number",
            "minimum": 0,
            "maximum": 2,
            "default": 0.3,
            "description": (
                "How much seeing and registration change a star's pixels from frame to frame, as a "
                "share of the contrast within 3 x 3 pixels: taken as one sigma when judging "
                "samples, so that stars are not rejected; 0 judges stars as sky"
            ),
        },
    }
    flow = Flow(pixels=("mono", "colour"), registered=True)
    takes = Takes(mono=16, mosaic=16, colour=24, look=6, sample=1, tile=70, planes=14)
    survey_params = ()
    sources = (
        *REJECTION_SOURCES,
        "I. R. King (1983), PASP 95, 163: a star's noise grows with the area its light covers",
        "weights by inverse variance: the Gauss-Markov theorem",
    )
    columns: ClassVar[Mapping[str, Column]] = {
        "weight": Column("ratio", "weight among the frames stacked, 1 for the highest"),
        "flux_scale": Column("ratio", "what the frame was multiplied by for equal star flux"),
        "sky_offset": Column("ADU", "sky above that of the reference, after scaling"),
        "sky_gradient": Column("ADU", "tilt of the sky taken off, from edge to edge"),
        "matched_noise": Column("ADU", "robust sigma of one pixel, after scaling"),
        "noise": Column("ADU", "robust sigma of one pixel of the stack's sky"),
        "best_noise": Column("ADU", "the lowest sigma a weighted mean of these frames can have"),
        "improvement": Column("ratio", "median noise of a frame over that of the stack"),
        "effective_frames": Column("count", "equal frames that would give the same noise"),
        "rejected_low": Column("%", "samples rejected as too low"),
        "rejected_high": Column("%", "samples rejected as too high"),
    }

    def check_params(
        self, params: Mapping[str, Any], columns: Collection[str]
    ) -> Mapping[str, str]:
        """The weights need columns that are measured, and an expression that can be read."""
        return check_weights(params["weights"], params["expression"], {*columns, *OWN})

    def halo_rows(self, params: Mapping[str, Any]) -> int:
        """Rows that trails and steep places reach across the edge of a tile."""
        return margin(_grow(params), _softening(params, 0.0))

    def survey(self, frame: Frame, ctx: Context) -> Numbers:
        """Sky on a coarse grid (sky_grid, grid_y, grid_x) and noise of every colour (sky_noise).

        Raises SetAside when no pixel is usable.
        """
        from coldframe.pixel_noise import pixel_noise

        grid = sky_grid(frame.channels, frame.flags)
        if not np.isfinite(grid.values).any():
            raise SetAside("too few usable pixels to measure its sky; nearly all are flagged")
        noise = [pixel_noise(channel, frame.flags) for channel in frame.channels]
        return {
            "sky_grid": grid.values,
            "grid_y": grid.y,
            "grid_x": grid.x,
            "sky_noise": np.array(noise),
        }

    def prepare(self, rows: Sequence[Row], ctx: Context) -> Numbers:
        """How to match each frame, and its weight."""
        check_count(ctx.params, len(rows))
        check_known(ctx.params, len(rows))
        matching = match_frames(rows, ctx.params["match_sky"])
        for line in lacking(rows):
            ctx.log.warning(line)
        known = [
            replace(
                row,
                measures={
                    "noise": float(np.mean(row.survey["sky_noise"])),
                    "sky": float(np.nanmedian(row.survey["sky_grid"])),
                    **row.measures,
                    "flux_scale": float(scale),
                },
            )
            for row, scale in zip(rows, matching.scale, strict=True)
        ]
        weight = frame_weights(
            known, matching.noise, ctx.params["weights"], ctx.params["expression"]
        )
        if matching.guessed:
            ctx.log.warning(
                "no star flux of %s is known: taken to be as clear as the typical frame",
                ", ".join(matching.guessed),
            )
        ctx.log.info("the sky is matched to that of %s", rows[matching.reference].info.label)
        return {
            "weight": weight,
            "flux_scale": matching.scale,
            "sky_offset": matching.sky,
            "sky_gradient": matching.gradient,
            "matched_noise": matching.noise.mean(axis=1),
            "match": matching.match,
            "noise_by_colour": matching.noise,
            "noise_slope": noise_slopes(rows, matching.scale, matching.noise),
            "sky_level": np.nanmedian(rows[matching.reference].survey["sky_grid"], axis=(1, 2))[
                np.newaxis
            ],
        }

    def reduce(self, tile: Tile, ctx: Context) -> Mapping[str, Array]:
        """Planes: data, flags, variance, weight (kept over all), count, low and high (rejected)."""
        from coldframe_steps.kernels.stack import reduce_tile

        noise = ctx.decision["noise_by_colour"][:, tile.channel]
        # A frame without noise would make all others' variances nothing beside it.
        noise = np.maximum(noise, 1e-3 * float(np.median(noise)) or 1e-6)
        match = ctx.decision["match"][:, tile.channel].copy()
        match[:, 1] += match[:, 3] * tile.x0  # the plane's offset is that of column 0
        name = rule_for(ctx.params, len(noise))
        weights = ctx.decision["weight"]
        softening = _softening(ctx.params, float(np.sqrt(np.mean(noise**2) / len(noise))))
        if name == KNOWN:
            from coldframe_steps.kernels.few import Noise, reduce_few

            slope = ctx.decision["noise_slope"][:, tile.channel]
            sky = float(ctx.decision["sky_level"][0, tile.channel])
            return reduce_few(
                tile.data,
                tile.flags,
                y0=tile.y0,
                match=match,
                weights=weights,
                noise=Noise(noise**2, slope, sky),
                limits=(float(ctx.params["low"]), float(ctx.params["high"])),
                softening=softening,
                grow=_grow(ctx.params),
            )
        return reduce_tile(
            tile.data,
            tile.flags,
            y0=tile.y0,
            match=match,
            weights=weights,
            relative=noise**2,
            rule=rule_of({**ctx.params, "reject": name}),
            softening=softening,
            grow=_grow(ctx.params),
        )

    def finish(self, stack: Frame, ctx: Context) -> Frame:
        """Measure the stack's noise, and say how much it gained over one frame.

        Noise is that of single pixels where nearly the full weight went in, and the same robust
        measure for the frames and for the stack (`coldframe.pixel_noise`), so that their ratio is
        right whatever resampling did to both.
        """
        from coldframe.pixel_noise import pixel_noise

        if not np.any((stack.flags & UNUSABLE) == 0):
            raise StepError("no pixel of the stack has data: the frames do not overlap")
        single = ctx.decision["noise_by_colour"]
        weight = ctx.decision["weight"]
        share = np.reshape(stack.planes["weight"], stack.channels.shape)
        noise = np.array(
            [
                pixel_noise(channel, _without_thin(stack.flags, part))
                for channel, part in zip(stack.channels, share, strict=True)
            ]
        )
        measures = {
            "noise": float(noise.mean()),
            "effective_frames": float(weight.sum() ** 2 / np.sum(weight**2)),
            **rejected(stack),
        }
        if np.all(single > 0):
            measures["best_noise"] = float(np.mean(1 / np.sqrt(np.sum(single**-2.0, axis=0))))
        if np.all(noise > 0):
            measures["improvement"] = float(np.mean(np.median(single, axis=0) / noise))
        said = verdict(ctx.params, len(weight))
        if said:
            ctx.log.warning(said)
        rule = rule_for(ctx.params, len(weight))
        line = f"integrate: {rule} of {len(weight)} frames"
        return replace(stack.with_measures(**measures), history=(*stack.history, line))


def _judges(params: Mapping[str, Any]) -> bool:
    """Whether samples are rejected for being far off, and not by count or not at all."""
    return params["reject"] not in ("none", "min-max")


def _grow(params: Mapping[str, Any]) -> int:
    return int(params["trail_margin"]) if _judges(params) else 0


def _softening(params: Mapping[str, Any], mean_noise: float) -> Softening | None:
    """mean_noise : sigma of the mean of the samples (ADU)."""
    share = float(params["star_tolerance"])
    if share == 0 or not _judges(params):
        return None
    return Softening(share=share, noise=float(np.sqrt(np.pi / 2)) * mean_noise)


def _without_thin(flags: Array, share: Array) -> Array:
    """Flags with NO_DATA where much less weight went in than in the middle pixel with data."""
    usual = float(np.median(share[(flags & UNUSABLE) == 0]))
    thin = np.where(share < 0.9 * usual, np.uint8(Flag.NO_DATA), np.uint8(0))
    return np.asarray(flags | thin, dtype=np.uint8)
