"""What removing one frame's background consists of, from samples to history."""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from coldframe.errors import SetAside
from coldframe.frame import Array, Frame
from coldframe.planes import Plane, with_planes
from coldframe_steps.background.apart import GLOW, Apart, tell_apart
from coldframe_steps.background.removal import Background, divided_variance, lowest, remove
from coldframe_steps.background.sampling import Samples, take_samples
from coldframe_steps.background.structure import fewest, sample_noise, sky_samples
from coldframe_steps.background.surfaces import Polynomial, Sheet, Surface, ThinPlate, robust_fit

CLEAR = 0.48
"""With so large a share of samples free of an object, sky is told from it sample by sample. With
less, what told the two apart is kept as it is: a new surface would take up some of the object."""

UNSURE = 0.1
"""An object whose brightness is less certain than this is worth a warning."""


def fit_background(
    frame: Frame, params: Mapping[str, Any], version: str, log: logging.Logger
) -> Frame:
    """Remove one frame's background: see `BackgroundFit.apply` for parameters and errors."""
    if frame.info.cfa is not None and frame.data.ndim == 2:
        raise SetAside(
            f"{frame.info.label} is a CFA mosaic: its pixels have different colours; "
            "register or demosaic it first"
        )
    samples = take_samples(frame, params["patches_across"], params["patch_size"])
    excluded = _excluded(samples, params["exclude_circle"], frame)
    start = samples.usable & ~excluded
    _enough(frame, start, fewest(params["order"]), "outside stars, rims and exclude_circle")
    try:
        found = _found(samples, start, excluded, frame, params)
    except np.linalg.LinAlgError:
        raise SetAside(
            f"{frame.info.label}: the sky samples lie too much in a line for a surface of "
            f"order {params['order']}: take a lower order"
        ) from None
    _enough(frame, found.sky, fewest(found.order), "between stars and structure")
    if not found.refit:
        _warn(frame, found.apart, log)
    return _removed(frame, samples, found, params, version)


@dataclass(frozen=True, slots=True)
class _Found:
    """The samples (m, n) that a surface is fitted to, its order, and what was taken off first.

    under : what was taken off, for each colour, if anything. refit : the surface is not the one that was told
    apart from an object.
    """

    sky: Array
    order: int
    rest: Samples
    apart: Apart | None = None
    under: tuple[Polynomial, ...] = ()
    refit: bool = True


def _found(
    samples: Samples, start: Array, excluded: Array, frame: Frame, params: Mapping[str, Any]
) -> _Found:
    order, protect = params["order"], params["protect_nebula"]
    if protect == 0:
        return _Found(sky_samples(samples, order, protect, excluded), order, samples)
    noise = sample_noise(samples, start)
    apart = tell_apart(samples, start, noise, order, _aspect(frame))
    limit = noise[:, np.newaxis, np.newaxis]
    clear = start & (apart.object < limit).all(axis=0)
    under = np.stack([base.at(samples.y, samples.x) for base in apart.base])
    bare = replace(samples, sky=samples.sky - under)
    rest = replace(samples, sky=bare.sky - apart.object)
    if clear.sum() < CLEAR * start.sum():
        return _Found(start, apart.sky.order, rest, apart, apart.base, refit=False)
    if apart.sky.order == order:
        unlike = (apart.unlike > limit).any(axis=0)
        sky = sky_samples(rest, order, protect, excluded | unlike)
        return _Found(sky, order, rest, apart, apart.base)
    # Hills under a sky that bends less than it may have taken its bend up: they are no help here.
    if apart.sky is GLOW:
        return _Found(sky_samples(bare, order, protect, excluded), order, bare, apart, apart.base)
    return _Found(sky_samples(samples, order, protect, excluded), order, samples, apart)


def _warn(frame: Frame, apart: Apart | None, log: logging.Logger) -> None:
    if apart is None:
        return
    if apart.object_error > UNSURE:
        log.warning(
            "%s: sky and object fill the frame together; the object's brightness above its "
            "surroundings is certain to %.0f %% only",
            frame.info.label,
            100 * apart.object_error,
        )
    if apart.withheld:
        log.warning(
            "%s: %s was removed; %s would fit as well but may be the object's own light, and was "
            "left in the picture",
            frame.info.label,
            apart.sky.name,
            apart.withheld,
        )


def _enough(frame: Frame, sky: Array, least: int, where: str) -> None:
    if sky.sum() < least:
        raise SetAside(
            f"{frame.info.label}: {int(sky.sum())} sky samples {where}, at least {least} are "
            "needed: take more patches_across, a lower order or less protect_nebula"
        )


def _excluded(samples: Samples, target: Sequence[float] | None, frame: Frame) -> Array:
    if target is None:
        return np.zeros(samples.y.shape, bool)
    height, width = frame.shape
    dy = ((samples.y + 1) / 2 - target[0]) * height
    dx = ((samples.x + 1) / 2 - target[1]) * width
    inside: Array = np.hypot(dy, dx) <= target[2] * min(height, width)
    return inside


def _aspect(frame: Frame) -> tuple[float, float]:
    longest = max(frame.shape)
    return frame.shape[0] / longest, frame.shape[1] / longest


def _fit(
    found: _Found, channel: int, frame: Frame, params: Mapping[str, Any]
) -> tuple[Surface, float]:
    samples, sky = found.rest, found.sky
    y, x, values = samples.y[sky], samples.x[sky], samples.sky[channel][sky]
    base = found.under[channel] if found.under else None
    if not found.refit and base is not None:
        return base, 1.4826 * float(np.median(np.abs(values - np.median(values))))
    # Samples differ in noise where fewer frames overlap; none may rule the others.
    variance = samples.error[channel][sky] ** 2
    typical = max(float(np.median(variance)), 1e-30)
    weights = 1 / np.clip(variance / typical, 0.25, 25)

    def make(w: Array) -> Surface:
        if params["model"] == "polynomial":
            return Polynomial.fit(y, x, values, w, found.order)
        return ThinPlate.fit(y, x, values, w, found.order, params["stiffness"], _aspect(frame))

    weights, sigma = robust_fit(lambda w: make(w).at(y, x), values, weights)
    surface = make(weights)
    return surface if base is None else surface.plus(base), sigma


def _removed(
    frame: Frame, samples: Samples, found: _Found, params: Mapping[str, Any], version: str
) -> Frame:
    divide = params["remove_by"] == "divide"
    count = frame.channels.shape[0]
    sheets: list[Sheet] = []
    sigmas, levels = np.empty(count), np.empty(count, np.float32)
    for c in range(count):
        surface, sigmas[c] = _fit(found, c, frame, params)
        sheets.append(surface.over(frame.shape))
        levels[c] = np.median(samples.sky[c][found.sky])
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
        "samples": float(found.sky.sum()),
    }
    if found.apart:
        measures["background_error"] = found.apart.error
    if found.apart and found.apart.object_error > 0:
        measures["object_error"] = 100 * found.apart.object_error
    if found.apart and found.apart.withheld and not found.refit:
        measures["background_left"] = found.apart.left
    return replace(
        frame,
        data=cleaned,
        planes=with_planes(frame.planes, changed),
        history=(*frame.history, _history(measures, found, params, version)),
    ).with_measures(**measures)


def _positive(frame: Frame, sheets: Sequence[Sheet]) -> None:
    for sheet in sheets:
        low = lowest(sheet, frame.flags)
        if low <= 0:
            raise SetAside(
                f"{frame.info.label}: the background goes down to {low:.1f} ADU and cannot be "
                "divided by: use remove_by: subtract, or leave the sky its level in earlier steps"
            )


def _history(
    measures: Mapping[str, float], found: _Found, params: Mapping[str, Any], version: str
) -> str:
    shape = f"a surface of order {found.order}"
    if found.apart and not found.refit:
        shape = found.apart.sky.name
    if params["model"] == "thin-plate" and found.refit:
        shape += f" and thin-plate spline of stiffness {params['stiffness']:g}"
    text = (
        f"background-fit {version}: {shape} through {measures['samples']:.0f} of "
        f"{found.sky.size} samples, scatter {measures['background_rms']:.3g} ADU, range "
        f"{measures['background_range']:.4g} ADU, "
        f"{'divided' if params['remove_by'] == 'divide' else 'subtracted'}"
    )
    if "background_error" in measures:
        text += f"; uncertain by {measures['background_error']:.2g} ADU"
    if "object_error" in measures:
        text += f", and by {measures['object_error']:.2g} % of the object told apart from it"
    if found.apart and "background_left" in measures:
        text += f"; not removed, as it may be the object's: {found.apart.withheld}"
    return text
