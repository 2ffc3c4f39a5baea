"""What has to be subtracted from a frame: bias, dark, and how much of the dark."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from coldframe.facts import exposure_text
from coldframe.frame import UNUSABLE, Array, Flag, Frame, FrameInfo, Kind
from coldframe.known_offset import dark_signal_known
from coldframe.matching_rules import DEFAULT_RULES
from coldframe_steps.calibrate.dark_scale import FEWEST, ScaleFit, fit_dark_scale
from coldframe_steps.calibrate.foresight import SAME_EXPOSURE
from coldframe_steps.calibrate.masters import HotPixels
from coldframe_steps.calibrate.neighbours import same_colour
from coldframe_steps.calibrate.robust import pixel_noise, sample
from coldframe_steps.kernels.pixels import EMPTY, local_median_at, readonly

NEAR = float(DEFAULT_RULES["dark"]["temperature"])
"""°C: a dark farther off than this is never taken unscaled where its scale can be known."""

DOUBLING = 6.0
"""°C in which dark current doubles (common practice, no source): used only where a dark is far off
and too few hot pixels tell how far."""

FIT_ABOVE = 20.0
"""Hot pixels that the scale is fitted from stand this many sigmas above their neighbours, so
that noise in the dark can bias the scale by 1/20^2 at most."""

LINEAR = 0.9
"""Above this share of the white level a pixel does not count as linear."""


@dataclass(frozen=True, slots=True)
class Offset:
    """bias + scale * dark signal, where the dark signal is dark - bias if `dark_has_bias`.

    black : float32 (4,), ADU by CFA position, used where there is no bias. scalable : the dark's
    signal is known apart from its offset. sigma : standard uncertainty of a fitted scale, scatter :
    fraction by which hot pixels stray from it, unmatched : fraction of the dark's signal by which
    the frame has more than was subtracted; NaN where not known. words : what was done, for the
    history.
    """

    bias: Frame | None
    dark: Frame | None
    dark_has_bias: bool
    black: Array
    scalable: bool = False
    scale: float = 1.0
    sigma: float = math.nan
    scatter: float = math.nan
    unmatched: float = math.nan
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


def choose(frame: Frame, masters: Mapping[str, Frame], overscan: bool) -> Offset:
    """Which masters belong to a frame of this kind; the dark not scaled yet.

    A flat takes its dark flat, else the bias; a dark or dark flat takes the bias; a bias takes
    nothing; anything else is a light. Where there is no bias the camera's black level stands in,
    or the overscan, if that was subtracted.
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
    scalable = dark is not None and (
        bias is not None or not has_bias or overscan or dark_signal_known(frame.info, dark.info)
    )
    return Offset(bias, dark, has_bias, black, scalable, words=f"{words} subtracted")


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
    """Dark signal grows with exposure; where it is not known apart from the offset it is left."""
    dark = offset.dark
    assert dark is not None
    mine, theirs = frame.info.exposure, dark.info.exposure
    if not mine or not theirs:
        return replace(offset, words=f"{offset.words} (exposure unknown, dark not scaled)")
    ratio = mine / theirs
    if abs(ratio - 1) <= SAME_EXPOSURE:
        return offset
    change = f"{exposure_text(theirs)} to {exposure_text(mine)}"
    if not offset.scalable:
        words = f"{offset.words} (no bias, not scaled from {change})"
        return replace(offset, unmatched=ratio - 1, words=words)
    return replace(
        offset, scale=ratio, words=f"{offset.words}, dark scaled by {ratio:.4g} from {change}"
    )


def is_far(frame: FrameInfo, dark: FrameInfo) -> bool:
    """Whether a dark is too far off in temperature to be taken as it is."""
    mine, theirs = frame.temperature, dark.temperature
    return mine is not None and theirs is not None and abs(mine - theirs) > NEAR + 1e-6


def scale_by_hot_pixels(frame: Frame, offset: Offset, hot: HotPixels) -> Offset:
    """Fit the dark's scale to this frame's hot pixels.

    Too few of them: scale by exposure, and by the usual growth with temperature where that is far.
    A dark whose signal is not known apart from its offset is left as it is; the fit then tells how
    far off it is.
    """
    fit = _fit(frame, offset, hot)
    if math.isnan(fit.scale):
        reason = f"only {fit.count} usable hot pixels, {FEWEST} needed to fit the dark's scale"
        fallback = _scale_by_temperature(frame, scale_by_exposure(frame, offset))
        return replace(fallback, words=f"{fallback.words} ({reason})")
    scale = max(fit.scale, 0.0)
    found = f"{scale:.4f} ± {fit.sigma:.4f} from {fit.count} hot pixels"
    if not offset.scalable:
        words = f"{offset.words} (no bias, dark not scaled; {found} would be right)"
        return replace(offset, unmatched=scale - 1, scatter=fit.scatter, words=words)
    return replace(
        offset,
        scale=scale,
        sigma=fit.sigma,
        scatter=fit.scatter,
        words=f"{offset.words}, dark scaled by {found}",
    )


def _scale_by_temperature(frame: Frame, offset: Offset) -> Offset:
    """The scale times the usual growth of dark current, for a dark far off in temperature."""
    assert offset.dark is not None
    mine, theirs = frame.info.temperature, offset.dark.info.temperature
    if mine is None or theirs is None or not is_far(frame.info, offset.dark.info):
        return offset
    growth = 2.0 ** ((mine - theirs) / DOUBLING)
    if not offset.scalable:
        return replace(offset, unmatched=(1 + _or_zero(offset.unmatched)) * growth - 1)
    words = f"{offset.words}, by {growth:.4g} as dark current doubles every {DOUBLING:g} °C"
    return replace(offset, scale=offset.scale * growth, words=words)


def _or_zero(value: float) -> float:
    return 0.0 if math.isnan(value) else value


def _fit(frame: Frame, offset: Offset, hot: HotPixels) -> ScaleFit:
    dark = offset.dark
    assert dark is not None
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
    return fit_dark_scale(mine[usable], theirs[usable], variance[usable], shot, hot.sigma**2)


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
