"""What calibrating one frame consists of, from masters to history."""

from __future__ import annotations

import logging
import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from coldframe.errors import SetAside
from coldframe.frame import UNUSABLE, Array, Flag, Frame, Kind
from coldframe_steps.calibrate.cache import MasterCache
from coldframe_steps.calibrate.masters import (
    FlatShape,
    HotPixels,
    flat_shape,
    hot_pixels,
    near_saturation,
)
from coldframe_steps.calibrate.neighbours import same_colour
from coldframe_steps.calibrate.offset import (
    Offset,
    choose,
    is_far,
    leave_unscaled,
    scale_by_exposure,
    scale_by_hot_pixels,
)
from coldframe_steps.calibrate.overscan import Regions, correct
from coldframe_steps.calibrate.robust import pixel_noise, sample
from coldframe_steps.kernels.pixels import EMPTY, calibrate_pixels, readonly, repair_pixels

BAD = int(Flag.HOT | Flag.COLD | UNUSABLE)
"""Pixels with any of these are no basis for an estimate of another."""

_trimmed = MasterCache(4)


def calibrate(
    frame: Frame,
    masters: Mapping[str, Frame],
    params: Mapping[str, Any],
    version: str,
    log: logging.Logger,
) -> Frame:
    """Calibrate one light, flat, dark or bias: see `Calibrate.apply` for parameters and errors."""
    if frame.data.ndim != 2:
        raise SetAside(
            f"{frame.info.label} has {frame.data.shape[0]} colour planes: calibration needs "
            "the sensor's own pixels"
        )
    regions = Regions.of(frame.info, params)
    untrimmed = frame.shape
    frame, overscan = correct(frame, regions)
    masters = {
        kind: _master(kind, master, frame, untrimmed, regions) for kind, master in masters.items()
    }
    light = frame.info.kind in (Kind.LIGHT, None)
    if frame.info.kind is Kind.FLAT:
        problem = near_saturation(frame)
        if problem:
            raise SetAside(f"flat {frame.info.label} {problem}")
    offset = choose(frame, masters, regions.overscan is not None)
    hot = None
    if offset.dark is not None:
        bias = offset.bias if offset.dark_has_bias else None
        hot = hot_pixels(offset.dark, bias, frame.info.cfa, params["hot_threshold"])
        if not light or params["dark_scaling"] == "none":
            offset = leave_unscaled(frame, offset)
        elif params["dark_scaling"] == "fit" or is_far(frame.info, masters["dark"].info):
            offset = scale_by_hot_pixels(frame, offset, hot)
        else:
            offset = scale_by_exposure(frame, offset)
    _check_offset(frame, offset)
    shape = None
    flat = masters.get("flat") if light else None
    if flat is not None:
        shape = flat_shape(flat, frame.info.cfa, params["cold_threshold"], log)
    pedestal = float(params["pedestal"]) if light else 0.0
    return _calibrated(
        frame,
        offset,
        hot,
        flat,
        shape,
        pedestal,
        repair=light and params["repair"],
        overscan=overscan if regions.overscan is not None else None,
        version=version,
    )


def _master(
    kind: str, master: Frame, frame: Frame, untrimmed: tuple[int, int], regions: Regions
) -> Frame:
    """A master of the frame's size: one with its overscan still on is treated like the frame."""
    if master.shape == untrimmed and (regions.overscan or regions.trim):
        master = _trimmed.get([master.data], regions, lambda: correct(master, regions)[0])
    if master.shape != frame.shape:
        raise SetAside(
            f"{frame.info.label} has {_size(frame)} pixels and the master {kind} "
            f"{master.info.label} {_size(master)}"
        )
    mine, theirs = frame.info.cfa, master.info.cfa
    if mine is not None and theirs is not None and mine != theirs:
        raise SetAside(
            f"{frame.info.label} has CFA pattern {mine} and the master {kind} "
            f"{master.info.label} {theirs}"
        )
    return master


def _size(frame: Frame) -> str:
    return f"{frame.shape[0]} × {frame.shape[1]}"


def _check_offset(frame: Frame, offset: Offset) -> None:
    """A dark well above its light is the wrong dark, or the light was shot with the cap on."""
    master = offset.dark or offset.bias
    if master is None:
        return
    light = float(np.median(sample(frame.data)))
    below = float(np.median(sample(frame.data) - offset.sampled()))
    # Half a pixel's noise: a faint sky may be a little below a dark that is a little too warm.
    if below < -0.5 * pixel_noise(frame.data):
        name = "dark" if offset.dark is not None else "bias"
        raise SetAside(
            f"{frame.info.label} is darker than its {name} {master.info.label}: median "
            f"{light:.1f} ADU, {name} {light - below:.1f} ADU; check exposure, ISO or gain and "
            "temperature of both, and whether the cap was on"
        )


def _calibrated(
    frame: Frame,
    offset: Offset,
    hot: HotPixels | None,
    flat: Frame | None,
    shape: FlatShape | None,
    pedestal: float,
    *,
    repair: bool,
    overscan: float | None,
    version: str,
) -> Frame:
    info = frame.info
    base = offset.base
    level = float(np.median(sample(base))) if base is not None else float(offset.black.mean())
    data = np.empty(frame.shape, np.float32)
    flags = np.empty(frame.shape, np.uint8)
    white = info.white if info.white is not None and overscan is None else math.inf
    saturated, clipped = calibrate_pixels(
        readonly(frame.data),
        readonly(frame.flags, np.uint8),
        readonly(offset.black),
        _pixels(base),
        base is not None,
        _pixels(None if offset.dark is None else offset.dark.data),
        offset.dark is not None,
        offset.dark_has_bias,
        float(offset.scale),
        _pixels(None if flat is None else flat.data),
        flat is not None,
        readonly(np.ones(4, np.float32) if shape is None else shape.level),
        white,
        # Zero is the converter's floor only where no light reads well above it.
        0.0 if level > 0 and overscan is None else -math.inf,
        pedestal,
        data,
        flags,
    )
    bad = _mark(flags, hot, shape)
    repaired = 0
    if repair and bad.size:
        table = readonly(same_colour(info.cfa), np.int32)
        repaired = repair_pixels(data, flags, BAD, table, bad)
    changes: dict[str, Any] = {}
    nothing = offset.bias is None and offset.dark is None and overscan is None and not info.black
    if info.kind is not Kind.BIAS and not nothing:
        changes["black"] = (pedestal,)
        if info.white is not None:
            changes["white"] = info.white - level + pedestal
    out = frame.with_pixels(data, flags, **changes)
    measures: dict[str, float] = {
        "saturated_pixels": float(saturated),
        "clipped_pixels": float(clipped),
        "repaired_pixels": float(repaired),
    }
    words = [offset.words]
    if overscan is not None:
        measures["overscan_level"] = overscan
        words.insert(0, f"overscan {overscan:.1f} ADU")
    if hot is not None:
        measures |= {"dark_scale": offset.scale, "hot_pixels": float(hot.index.size)}
        words.append(f"{hot.index.size} hot pixels")
    if not math.isnan(offset.sigma):
        measures["dark_scale_sigma"] = offset.sigma
    if not math.isnan(offset.scatter):
        measures["dark_scale_scatter"] = 100 * offset.scatter
    if not math.isnan(offset.unmatched):
        measures["dark_unmatched"] = 100 * offset.unmatched
    if shape is not None:
        measures["cold_pixels"] = float(shape.cold.size)
        levels = ", ".join(
            f"{v:.0f}" if c == "M" else f"{c} {v:.0f}" for c, v in shape.colours.items()
        )
        words.append(f"divided by flat of {levels} ADU, {shape.cold.size} cold pixels")
    if repaired:
        words.append(f"{repaired} repaired")
    if pedestal:
        words.append(f"pedestal {pedestal:g} ADU")
    return replace(
        out.with_measures(**measures),
        history=(*frame.history, f"calibrate {version}: {'; '.join(words)}"),
    )


def _pixels(image: Array | None) -> Array:
    return EMPTY if image is None else readonly(image)


def _mark(flags: Array, hot: HotPixels | None, shape: FlatShape | None) -> Array:
    """Flag the masters' bad pixels in place; return their places in the flattened frame."""
    flat_view = flags.ravel()
    places = [np.empty(0, np.int64)]
    if hot is not None:
        flat_view[hot.index] |= np.uint8(Flag.HOT)
        places.append(hot.index)
    if shape is not None:
        flat_view[shape.cold] |= np.uint8(Flag.COLD)
        places.append(shape.cold)
    return np.unique(np.concatenate(places))
