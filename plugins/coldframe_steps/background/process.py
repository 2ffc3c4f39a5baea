"""What removing one frame's background consists of, from samples to history."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from coldframe.errors import SetAside
from coldframe.frame import Array, Frame
from coldframe.planes import Plane, with_planes
from coldframe_steps.background.removal import Background, divided_variance, lowest, remove
from coldframe_steps.background.sampling import Samples, take_samples
from coldframe_steps.background.structure import fewest, sky_samples
from coldframe_steps.background.surfaces import Polynomial, Sheet, Surface, ThinPlate, robust_fit


def fit_background(frame: Frame, params: Mapping[str, Any], version: str) -> Frame:
    """Remove one frame's background: see `BackgroundFit.apply` for parameters and errors."""
    if frame.info.cfa is not None and frame.data.ndim == 2:
        raise SetAside(
            f"{frame.info.label} is a CFA mosaic: its pixels have different colours; "
            "register or demosaic it first"
        )
    samples = take_samples(frame, params["samples"], params["box"])
    target = _target(samples, params["target"], frame)
    least = fewest(params["order"])
    _enough(frame, samples.usable & ~target, least, "outside stars, rims and target")
    try:
        sky = sky_samples(samples, params["order"], params["protect"], target)
    except np.linalg.LinAlgError:
        raise SetAside(
            f"{frame.info.label}: the sky samples lie too much in a line for a surface of "
            f"order {params['order']}: take a lower order"
        ) from None
    _enough(frame, sky, least, "between stars and structure")
    return _removed(frame, samples, sky, params, version)


def _enough(frame: Frame, sky: Array, least: int, where: str) -> None:
    if sky.sum() < least:
        raise SetAside(
            f"{frame.info.label}: {int(sky.sum())} sky samples {where}, at least {least} are "
            "needed: take more samples, a lower order or less protect"
        )


def _target(samples: Samples, target: Sequence[float] | None, frame: Frame) -> Array:
    if target is None:
        return np.zeros(samples.y.shape, bool)
    height, width = frame.shape
    dy = ((samples.y + 1) / 2 - target[0]) * height
    dx = ((samples.x + 1) / 2 - target[1]) * width
    inside: Array = np.hypot(dy, dx) <= target[2] * min(height, width)
    return inside


def _fit(
    samples: Samples, sky: Array, channel: int, frame: Frame, params: Mapping[str, Any]
) -> tuple[Surface, float]:
    y, x, values = samples.y[sky], samples.x[sky], samples.sky[channel][sky]
    # Samples differ in noise where fewer frames overlap; none may rule the others.
    variance = samples.error[channel][sky] ** 2
    typical = max(float(np.median(variance)), 1e-30)
    weights = 1 / np.clip(variance / typical, 0.25, 25)
    longest = max(frame.shape)
    aspect = frame.shape[0] / longest, frame.shape[1] / longest

    def make(w: Array) -> Surface:
        if params["model"] == "polynomial":
            return Polynomial.fit(y, x, values, w, params["order"])
        return ThinPlate.fit(y, x, values, w, params["order"], params["smoothing"], aspect)

    weights, sigma = robust_fit(lambda w: make(w).at(y, x), values, weights)
    return make(weights), sigma


def _removed(
    frame: Frame, samples: Samples, sky: Array, params: Mapping[str, Any], version: str
) -> Frame:
    divide = params["mode"] == "divide"
    count = frame.channels.shape[0]
    sheets: list[Sheet] = []
    sigmas, levels = np.empty(count), np.empty(count, np.float32)
    for c in range(count):
        surface, sigmas[c] = _fit(samples, sky, c, frame, params)
        sheets.append(surface.over(frame.shape))
        levels[c] = np.median(samples.sky[c][sky])
    if divide:
        _positive(frame, sheets)
    cleaned, ranges = remove(frame, sheets, levels, divide, params["keep_level"])
    changed: dict[str, Array | Plane] = {}
    if divide and "variance" in frame.planes:
        changed["variance"] = divided_variance(frame, sheets, levels)
    changed["background"] = Background(tuple(sheets), frame.data.shape)
    measures = {
        "background_rms": float(np.sqrt(np.mean(sigmas**2))),
        "background_range": float(ranges.max()),
        "samples": float(sky.sum()),
    }
    return replace(
        frame,
        data=cleaned,
        planes=with_planes(frame.planes, changed),
        history=(*frame.history, _history(measures, sky.size, params, version)),
    ).with_measures(**measures)


def _positive(frame: Frame, sheets: Sequence[Sheet]) -> None:
    for sheet in sheets:
        low = lowest(sheet, frame.flags)
        if low <= 0:
            raise SetAside(
                f"{frame.info.label}: the background goes down to {low:.1f} ADU and cannot be "
                "divided by: use mode subtract, or leave the sky its level in earlier steps"
            )


def _history(
    measures: Mapping[str, float], count: int, params: Mapping[str, Any], version: str
) -> str:
    shape = f"polynomial of order {params['order']}"
    if params["model"] == "thin-plate":
        shape += f" and thin-plate spline of smoothing {params['smoothing']:g}"
    return (
        f"background-fit {version}: {shape} through {measures['samples']:.0f} of "
        f"{count} samples, scatter {measures['background_rms']:.3g} ADU, range "
        f"{measures['background_range']:.4g} ADU, "
        f"{'divided' if params['mode'] == 'divide' else 'subtracted'}"
    )
