"""How close a finished stack of the invented night comes to the truth."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from coldframe.demo.stage import Stage, best_variance, nebula_image, set_stage, star_image, view_of
from coldframe.demo.stars_score import Photometry, Places, photometry, place_residual
from coldframe.demo.surface_score import (
    nebula_contrast,
    noise_ratio,
    pixel_noise,
    shading_residual,
)
from coldframe.demo.trail_score import trail_mask, trail_residual
from coldframe.demo.truth import Truth
from coldframe.errors import StepError
from coldframe.frame import Frame
from coldframe.step import Column

COLUMNS: Mapping[str, Column] = {
    "frames_used": Column("", "light frames in the stack"),
    "hopeless_used": Column("", "frames behind thick cloud that were not set aside"),
    "noise_ratio": Column("", "noise over the least that the frames used allow"),
    "noise_error": Column("", "standard error of noise_ratio"),
    "photometry_bias": Column("%", "brightness of unsaturated stars above the truth"),
    "photometry_error": Column("%", "standard error of photometry_bias"),
    "photometry_faint": Column("%", "faint stars above the truth, compared with bright ones"),
    "photometry_faint_error": Column("%", "standard error of photometry_faint"),
    "scale_rms": Column("%", "rms by which star fluxes still differ from frame to frame"),
    "photometry_stars": Column("", "stars compared, all colours together"),
    "astrometry_rms": Column("px", "rms distance of stars from their true places"),
    "astrometry_field": Column("px", "rms of their mean offset over nine parts of the frame"),
    "astrometry_stars": Column("", "stars compared"),
    "vignetting": Column("%", "greatest share of the sky's light missing in the corners"),
    "trail_residual": Column("sigma", "brightest remnant of any trail over one pixel's noise"),
    "trails": Column("", "trails in the frames used"),
    "nebula_error": Column("%", "the nebula's brightness above the truth"),
}


def score(
    stack: Frame,
    final: Frame | None,
    truth: Truth,
    used: Sequence[str],
    weights: Mapping[str, float] | None = None,
    *,
    scales: Mapping[str, float] | None = None,
    scale_frame: str | None = None,
    flat_middle: float = 0.5,
) -> dict[str, float]:
    """Compare a stack with what it was made from.

    Parameters
    ----------
    stack : before the background fit. final : after it; None to leave the nebula out.
    used : names (without folders) of the lights in the stack, one filter's for a mono camera.
    weights : of each light by name; equal when None.
    scales : what each light was multiplied by for equal star fluxes, by name: the stack is as
        bright as the weighted mean of the scaled frames. Without it the stack is taken to have
        the brightness of `scale_frame`, or of the frame whose geometry it has; when that is not
        among those used, photometry_bias is not given.
    flat_middle : the share of the frame's height and width over which flats were scaled to a mean
        of 1 before lights were divided by them; photometry_bias needs it.

    Returns
    -------
    Numbers by the names in `COLUMNS`; those that cannot be had are left out.

    Raises
    ------
    StepError
        The stack is not one of this night's.
    """
    stage = set_stage(stack, truth, used, weights)
    parts = [_judge(stage, stack, final, i) for i in range(len(stage.bands))]
    out: dict[str, float] = {
        "frames_used": float(len(stage.used)),
        "hopeless_used": float(sum(view_of(shot).hopeless for shot in stage.used)),
        "noise_ratio": float(np.mean([p.noise for p in parts])),
        "noise_error": float(np.mean([p.noise_error for p in parts])) / math.sqrt(len(parts)),
        "vignetting": 100 * max((p.shading for p in parts), key=abs),
        "trails": float(parts[0].trails),
        "trail_residual": max(p.trail for p in parts),
    }
    out |= _photometry(stage, [p.photometry for p in parts], scales, scale_frame, flat_middle)
    places = parts[len(parts) // 2].places
    if places is not None:
        out["astrometry_rms"], out["astrometry_field"] = places.rms, places.field
        out["astrometry_stars"] = float(places.stars)
    if final is not None:
        measured, true = (sum(p.nebula[i] for p in parts) for i in (0, 1))
        out["nebula_error"] = 100 * (measured / true - 1)
    return {name: value for name, value in out.items() if math.isfinite(value)}


def summary(scores: Mapping[str, float]) -> list[str]:
    """The scores in plain words, a line each."""

    def has(name: str) -> bool:
        return name in scores

    lines = [f"Frames: {scores['frames_used']:.0f} used"]
    if scores["hopeless_used"]:
        lines[0] += f", {scores['hopeless_used']:.0f} of them behind thick cloud"
    if has("noise_ratio"):
        lines.append(
            f"Noise: {scores['noise_ratio']:.2f} × the theoretical best for these frames "
            f"(± {scores['noise_error']:.2f})"
        )
    if has("photometry_bias"):
        lines.append(
            f"Star brightness: {scores['photometry_bias']:+.2f}% off "
            f"(± {scores['photometry_error']:.2f}%, {scores['photometry_stars']:.0f} measurements)"
        )
    if has("photometry_faint"):
        lines.append(
            f"Faint against bright stars: {scores['photometry_faint']:+.2f}% "
            f"(± {scores['photometry_faint_error']:.2f}%)"
        )
    if has("scale_rms"):
        lines.append(f"Frames brought to one brightness: within {scores['scale_rms']:.2f}% rms")
    if has("astrometry_rms"):
        lines.append(
            f"Star places: {scores['astrometry_rms']:.3f} px rms off "
            f"({scores['astrometry_stars']:.0f} stars"
            + (
                f"; {scores['astrometry_field']:.3f} px without photon noise"
                if has("astrometry_field")
                else ""
            )
            + ")"
        )
    if has("vignetting"):
        lines.append(f"Vignetting left: {abs(scores['vignetting']):.2f}% of the sky in the corners")
    if has("trail_residual"):
        lines.append(
            f"Trails left: {scores['trail_residual']:.2f} sigma of the noise at their brightest "
            f"({scores['trails']:.0f} trails)"
        )
    if has("nebula_error"):
        lines.append(f"Nebula brightness: {scores['nebula_error']:+.2f}% off")
    return lines


@dataclass(frozen=True, slots=True)
class _Part:
    """What there is to say about one colour of a stack."""

    photometry: Photometry
    places: Places | None
    noise: float
    noise_error: float
    shading: float
    trail: float
    trails: int
    nebula: tuple[float, float]


def _judge(stage: Stage, stack: Frame, final: Frame | None, index: int) -> _Part:
    band = stage.bands[index]
    plane = np.ascontiguousarray(stack.channels[index], dtype=np.float32)
    stars, nebula = star_image(stage, band), nebula_image(stage, band)
    best = best_variance(stage, band)
    density = float(np.mean(stage.truth.cell(stage.used[0].band) == band))
    variance = best / np.float32(density)
    light = photometry(stage, plane, stars, nebula, variance, band)
    if light is None:
        raise StepError("too few unsaturated stars in the stack to compare it with the truth")
    bright = ndimage.binary_dilation(stars > 2 * np.sqrt(best), iterations=3)
    free = stage.usable & ~bright
    quiet = free & ~trail_mask(stage)  # trails have a figure of their own
    sky = plane / np.float32(light.zero_point) - stars - nebula
    # A mosaic's kernels are wider, so are the windows; three colours make up for fewer of them.
    noise, noise_error = noise_ratio(sky, quiet, variance, 4.0 if density == 1 else 5.0)
    trail, trails = trail_residual(stage, sky, free, pixel_noise(sky, quiet))
    contrast = float("nan"), float("nan")
    if final is not None:
        smooth = final.channels[index] / np.float32(light.zero_point) - stars
        contrast = nebula_contrast(smooth, nebula, free)
    return _Part(
        photometry=light,
        places=place_residual(stage, plane, variance, band),
        noise=noise,
        noise_error=noise_error,
        shading=shading_residual(stage, sky, free),
        trail=trail,
        trails=trails,
        nebula=contrast,
    )


def _photometry(
    stage: Stage,
    parts: Sequence[Photometry],
    scales: Mapping[str, float] | None,
    scale_frame: str | None,
    flat_middle: float,
) -> dict[str, float]:
    """Star brightness, colours together."""
    certainty = np.array([p.faint_error**-2 for p in parts])
    out = {
        "photometry_stars": float(sum(p.stars for p in parts)),
        "photometry_faint": 100 * float(np.average([p.faint for p in parts], weights=certainty)),
        "photometry_faint_error": 100 * float(certainty.sum() ** -0.5),
    }
    truth, shot = stage.truth, stage.used[0]
    clear = {s.name.rsplit("/", 1)[-1]: view_of(s).transparency for s in stage.used}
    if scales is not None:
        dimmed = np.array([scales[name] * t for name, t in clear.items()])
        transparency = float(np.average(dimmed, weights=stage.share))
        out["scale_rms"] = 100 * float(np.std(dimmed) / np.mean(dimmed))
    else:
        transparency = clear.get(scale_frame or stage.reference, 0.0)
        if not transparency:
            return out
    height, width = truth.shape
    top, left = (int(n * (1 - flat_middle) / 2) for n in truth.shape)
    response = truth.optics.response(truth.shape, truth.dust)
    # A flat whose mean is 1 leaves stars as bright as they were on average over that part of the
    # frame, whatever the colour.
    seen = float(response[top : height - top, left : width - left].mean(dtype=np.float64))
    biases, weights = [], []
    for part in parts:
        true = shot.exposure * transparency * seen / truth.camera.gain(shot.setting)
        biases.append(part.zero_point / true - 1)
        weights.append(part.error**-2)
    out["photometry_bias"] = 100 * float(np.average(biases, weights=weights))
    out["photometry_error"] = 100 * float(np.sum(weights) ** -0.5)
    return out
