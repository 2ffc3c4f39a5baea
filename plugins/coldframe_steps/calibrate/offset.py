"""What has to be subtracted from a frame: bias, dark, and how much of the dark."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from coldframe.errors import SetAside
from coldframe.facts import exposure_text
from coldframe.frame import UNUSABLE, Array, Flag, Frame, Kind
from coldframe_steps.calibrate.dark_scale import FEWEST, fit_dark_scale
from coldframe_steps.calibrate.masters import HotPixels
from coldframe_steps.calibrate.neighbours import same_colour
from coldframe_steps.calibrate.robust import pixel_noise, sample
from coldframe_steps.kernels.pixels import EMPTY, local_median_at, readonly

SAME_EXPOSURE = 0.005
"""Exposures this near are the same: cameras round what they write down."""

WITHOUT_BIAS = 0.1
"""A dark this near in exposure is subtracted unscaled when there is no bias to scale it with."""

FIT_ABOVE = 20.0
"""Hot pixels that the scale is fitted from stand this many sigmas above their neighbours, so
that noise in the dark can bias the scale by 1/20^2 at most."""

LINEAR = 0.9
"""Above this share of the white level a pixel does not count as linear."""


@dataclass(frozen=True, slots=True)
class Offset:
    """bias + scale * dark signal, where the dark signal is dark - bias if `dark_has_bias`.

    black : float32 (4,), ADU by CFA position, used where there is no bias. sigma : standard
    uncertainty of a fitted scale, else NaN. words : what was done, for the history.
    """

    bias: Frame | None
    dark: Frame | None
    dark_has_bias: bool
    black: Array
    scale: float = 1.0
    sigma: float = math.nan
    words: str = ""

    @property
    def base(self) -> Array | None:
        """The bias's pixels, if there is one."""
        return None if self.bias is None else self.bias.data

    def sampled(self) -> Array | float:
        """The offset of `sample`d pixels; with no master at all, the mean black level."""
        if self.bias is None and self.dark is None:
            return float(self.black.mean())
        bias = float(self.black.mean()) if self.bias is None else sample(self.bias.data)
        if self.dark is None:
            return bias
        signal = sample(self.dark.data)
        if self.dark_has_bias:
            signal = signal - bias
        return bias + np.float32(self.scale) * signal


def choose(frame: Frame, masters: Mapping[str, Frame]) -> Offset:
    """Which masters belong to a frame of this kind; the dark not scaled yet.

    A flat takes its dark flat, else the bias; a dark or dark flat takes the bias; a bias takes
    nothing; anything else is a light. Where there is no bias the camera's black level stands in.
    """
    kind = frame.info.kind
    bias = None if kind is Kind.BIAS else masters.get("bias")
    dark = {Kind.FLAT: masters.get("dark-flat"), Kind.LIGHT: masters.get("dark")}.get(
        kind or Kind.LIGHT
    )
    known = frame.info.black if kind is not Kind.BIAS else None
    black = np.resize(np.asarray(known or (0.0,), np.float32), 4)
    has_bias = dark is not None and contains_bias(dark, bias)
    done = [name for name, master in (("bias", bias), ("dark", dark)) if master is not None]
    words = " and ".join(done) or (f"black level {black.mean():g} ADU" if known else "nothing")
    return Offset(bias, dark, has_bias, black, words=f"{words} subtracted")


def contains_bias(dark: Frame, bias: Frame | None) -> bool:
    """Whether a master dark still has its bias in it.

    A dark calibrated by this step says that its black level is 0. Failing that the levels tell:
    a dark with its bias is brighter than the bias, one without is far below.
    """
    black = dark.info.black
    if bias is not None and black is not None and black == bias.info.black:
        return True
    if black is not None and not any(black):
        return False
    if bias is None:
        return True
    return bool(np.median(sample(dark.data)) > 0.5 * np.median(sample(bias.data)))


def leave_unscaled(frame: Frame, offset: Offset) -> Offset:
    """Take the dark as it is, and say so when its exposure is another."""
    assert offset.dark is not None
    mine, theirs = frame.info.exposure, offset.dark.info.exposure
    if not mine or not theirs or abs(mine / theirs - 1) <= SAME_EXPOSURE:
        return offset
    exposures = f"{exposure_text(theirs)} for a frame of {exposure_text(mine)}"
    return replace(offset, words=f"{offset.words} (dark of {exposures}, not scaled)")


def scale_by_exposure(frame: Frame, offset: Offset) -> Offset:
    """Dark signal grows with exposure.

    Raises
    ------
    SetAside when the dark must be scaled and there is no bias to take out of it first.
    """
    dark = offset.dark
    assert dark is not None
    mine, theirs = frame.info.exposure, dark.info.exposure
    if not mine or not theirs:
        return replace(offset, words=f"{offset.words} (exposure unknown, dark not scaled)")
    ratio = mine / theirs
    if abs(ratio - 1) <= SAME_EXPOSURE:
        return offset
    change = f"{exposure_text(theirs)} to {exposure_text(mine)}"
    if offset.dark_has_bias and offset.bias is None:
        if abs(ratio - 1) <= WITHOUT_BIAS:
            return replace(offset, words=f"{offset.words} (no bias, not scaled from {change})")
        raise SetAside(
            f"{frame.info.label} is {exposure_text(mine)} and its dark {dark.info.label} "
            f"{exposure_text(theirs)}: scaling a dark needs a bias; shoot bias frames, or darks "
            f"of {exposure_text(mine)}"
        )
    return replace(
        offset, scale=ratio, words=f"{offset.words}, dark scaled by {ratio:.4g} from {change}"
    )


def scale_by_hot_pixels(frame: Frame, offset: Offset, hot: HotPixels) -> Offset:
    """Fit the dark's scale to this frame's hot pixels; too few of them: scale by exposure.

    Raises
    ------
    SetAside when there is no bias to take out of the dark first.
    """
    dark = offset.dark
    assert dark is not None
    if offset.dark_has_bias and offset.bias is None:
        raise SetAside(
            f"{frame.info.label}: fitting the dark's scale needs a bias; shoot bias frames or "
            "set dark_scaling to exposure or none"
        )
    index = hot.index[hot.excess > FIT_ABOVE * hot.sigma]
    marked = frame.flags.copy()
    marked.ravel()[hot.index] |= np.uint8(Flag.HOT)
    mine, around, counts = _above(frame, offset.base, marked, offset.black, index)
    theirs, _, _ = _above(
        dark, offset.base if offset.dark_has_bias else None, marked, offset.black * 0, index
    )
    usable = (frame.flags.ravel()[index] & int(UNUSABLE | Flag.SATURATED | Flag.CLIPPED)) == 0
    white = frame.info.white
    if white is not None:
        usable &= frame.data.ravel()[index] < LINEAR * white
        usable &= dark.data.ravel()[index] < LINEAR * white
    variance, shot = _variance(frame, offset, around, counts)
    fit = fit_dark_scale(mine[usable], theirs[usable], variance[usable], shot, hot.sigma**2)
    if math.isnan(fit.scale):
        reason = f"only {fit.count} usable hot pixels, {FEWEST} needed to fit the dark's scale"
        fallback = scale_by_exposure(frame, offset)
        return replace(fallback, words=f"{fallback.words} ({reason})")
    scale = max(fit.scale, 0.0)
    words = f"dark scaled by {scale:.4f} ± {fit.sigma:.4f} from {fit.count} hot pixels"
    return replace(offset, scale=scale, sigma=fit.sigma, words=f"{offset.words}, {words}")


def _above(
    frame: Frame, base: Array | None, flags: Array, black: Array, index: Array
) -> tuple[Array, Array, Array]:
    """How far pixels stand above their neighbours, the neighbours' level, and their number."""
    image = readonly(frame.data)
    around, counts = local_median_at(
        image,
        EMPTY if base is None else readonly(base),
        base is not None,
        readonly(flags, np.uint8),
        int(UNUSABLE | Flag.HOT),
        readonly(same_colour(frame.info.cfa), np.int32),
        readonly(index, np.int64),
    )
    value = image.ravel()[index]
    if base is not None:
        return value - base.ravel()[index] - around, around, counts
    y, x = np.divmod(index, image.shape[1])
    level = black[(y & 1) * 2 + (x & 1)]
    # Both greens are neighbours but may differ in black level; the mean of all is near enough.
    return value - around, around - level, counts


def _variance(frame: Frame, offset: Offset, around: Array, counts: Array) -> tuple[Array, float]:
    """Noise of a pixel at its neighbours' level less their median, ADU^2; and 1 / gain.

    sigma^2 = read_noise^2 + signal / gain where the camera is known, else the frame's own noise,
    taken to be the sky's photon noise. A median of n has pi/2 times the variance of a mean.
    """
    gain, read_noise = frame.info.gain, frame.info.read_noise
    if gain and read_noise:
        shot = 1 / gain
        near = (read_noise / gain) ** 2 + np.maximum(around, 0) * shot
    else:
        noise = max(pixel_noise(frame.data), 0.3) ** 2
        under = sample(offset.base) if offset.base is not None else offset.black.mean()
        shot = noise / max(float(np.median(sample(frame.data) - under)), 1.0)
        near = np.full(around.shape, noise)
    return near * (1 + (math.pi / 2) / np.maximum(counts, 1)), shot
