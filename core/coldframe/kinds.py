"""Tells what a frame was shot as from its pixels and exposure, or says why it cannot be told.

A frame with stars is a light. A frame without, at black level, is a bias when its exposure is as
short as can be, else a dark. A smooth one at a middle level is a flat. A starless one that saw
some light and was exposed like the frames with stars is a clouded light. Whatever fits none of
these is left undecided: the photographer says it in the notes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from coldframe.facts import exposure_text
from coldframe.frame import FrameInfo, Kind
from coldframe.look import Look

MANY_STARS = 40  # more than shine through a dawn flat
SOME_STARS = 5  # more than cosmic rays and clusters of hot pixels look like
BIAS_EXPOSURE = 1 / 1000  # s
LONGEST_BIAS = 1 / 30  # s, when it is the shortest exposure of the night
LONG_FOR_A_FLAT = 20.0  # s
SHORT_FOR_A_LIGHT = 2.0  # s
MIDDLE = 0.10  # of the range, above black; without a known black level, MIDDLE_FROM_ZERO
MIDDLE_FROM_ZERO = 0.15
BRIGHT = 60.0  # signal / noise of single pixels: some 3600 electrons
FULL = 0.95  # of the range
DEEPEST_BLACK = 0.08  # of the range: the offset of any camera is below this
UNEVEN = 0.15  # rms about a smooth surface, as a fraction: more than vignetting and dust leave
SAME_EXPOSURE = 0.02  # relative


@dataclass(frozen=True, slots=True)
class Peers:
    """What is known of the night's other frames from the same camera, gain and size.

    star_exposures : exposures of the frames with stars, s. levels : (exposure in s, level in ADU,
    whether it has stars) of every frame looked at; the lowest stands for black where the black
    level is unknown. shortest : the shortest exposure the camera made that night, s.
    """

    star_exposures: tuple[float, ...] = ()
    levels: tuple[tuple[float | None, float, bool], ...] = ()
    shortest: float | None = None

    @property
    def lowest(self) -> float | None:
        """The lowest level of all, ADU."""
        return min((level for _, level, _ in self.levels), default=None)

    def lowest_with_stars(self, exposure: float | None) -> float | None:
        """The lowest level among the frames with stars of this exposure, ADU."""
        alike = (
            lv for e, lv, starry in self.levels if starry and same_exposure(exposure, [e or 0])
        )
        return min(alike, default=None)


def same_exposure(exposure: float | None, others: Iterable[float]) -> bool:
    """Whether the exposure is one of these, within what cameras round."""
    return exposure is not None and any(
        abs(exposure - other) <= SAME_EXPOSURE * max(exposure, other) for other in others
    )


def recognise(info: FrameInfo, seen: Look, peers: Peers | None = None) -> tuple[Kind | None, str]:
    """(kind, why in plain words); the kind is None when the pixels leave it open.

    Parameters
    ----------
    info : the frame's facts; the exposure is used. seen : what its pixels show.
    peers : what the night's other frames show.
    """
    peers = peers or Peers()
    exposure = info.exposure
    signal = _signal(seen, peers)
    words = _level_words(seen, signal)
    like_lights = same_exposure(exposure, peers.star_exposures)
    shot = "exposure unknown" if exposure is None else exposure_text(exposure)
    stars = f"{seen.stars} stars" if seen.stars != 1 else "1 star"
    middle = _is_middle(seen, signal)

    if seen.saturated > 0.5:
        return None, f"{seen.saturated:.0%} of its pixels are saturated"
    if seen.stars >= MANY_STARS or (seen.stars >= SOME_STARS and (like_lights or not middle)):
        return Kind.LIGHT, f"{stars}; {words}, {shot}"
    if middle and seen.stars >= SOME_STARS:
        return _bright_with_stars(exposure, peers, f"{stars}; {words}, {shot}")
    if middle and like_lights:
        return Kind.LIGHT, (
            f"clouded; {stars} only, but exposed like the frames with stars ({shot}), {words}"
        )
    if middle and seen.unevenness > UNEVEN:
        return None, (
            f"{stars}, and the light is too uneven for a flat ({seen.unevenness:.0%} rms about a "
            f"smooth surface); {words}, {shot}"
        )
    if middle:
        return Kind.FLAT, f"smooth ({seen.unevenness:.1%} rms) and bright; {words}, {shot}"
    light = _saw_light(seen, signal)
    if light and like_lights:
        return Kind.LIGHT, (
            f"clouded; {stars} only, but light fell on it and it was exposed like the frames with "
            f"stars ({shot}), {words}"
        )
    if light:
        return None, f"{stars}, too bright for a dark and too dim for a flat; {words}, {shot}"
    if not seen.black_known and seen.fraction is not None and seen.fraction > DEEPEST_BLACK:
        return None, f"{stars}, and its black level is not known; {words}, {shot}"
    starry = peers.lowest_with_stars(exposure)
    if light is None and starry is not None and seen.level > starry - 0.3 * seen.noise:
        return None, (
            f"a clouded light or a warm dark: {stars}, exposed like the frames with stars and not "
            f"darker; {words}, {shot}"
        )
    if exposure is None:
        return None, f"at black level ({words}), but its exposure is not known"
    if exposure <= BIAS_EXPOSURE:
        return Kind.BIAS, f"at black level, {shot}; {words}"
    if exposure <= LONGEST_BIAS and same_exposure(exposure, [peers.shortest or 0.0]):
        return Kind.BIAS, f"at black level, {shot}, the night's shortest exposure; {words}"
    return Kind.DARK, f"at black level, {shot}; {stars}, {words}"


def _bright_with_stars(exposure: float | None, peers: Peers, words: str) -> tuple[Kind | None, str]:
    """A few stars on a bright sky: a light under a bright sky, or a flat at dawn."""
    if exposure is not None:
        shorter = peers.star_exposures and exposure < 0.5 * min(peers.star_exposures)
        if shorter or (not peers.star_exposures and exposure <= SHORT_FOR_A_LIGHT):
            return (
                Kind.FLAT,
                f"bright sky with few stars, exposed as lights are not; {words}",
            )
        if not peers.star_exposures and exposure >= LONG_FOR_A_FLAT:
            return Kind.LIGHT, words
    return None, f"a light under a bright sky or a flat at dawn: {words}"


def _signal(seen: Look, peers: Peers) -> float | None:
    """ADU above black; None when black is known neither from the file nor from other frames."""
    if seen.black_known:
        return seen.level
    return None if peers.lowest is None else seen.level - peers.lowest


def _is_middle(seen: Look, signal: float | None) -> bool:
    if seen.fraction is not None and seen.fraction >= FULL:
        return False
    if seen.fraction is not None and seen.fraction >= (
        MIDDLE if seen.black_known else MIDDLE_FROM_ZERO
    ):
        return True
    return signal is not None and seen.noise > 0 and signal / seen.noise >= BRIGHT


def _saw_light(seen: Look, signal: float | None) -> bool | None:
    """Whether some light fell on the sensor; None when that cannot be told.

    Dark current is the same in every colour, and does not fall off towards all four corners.
    """
    full = seen.level / seen.fraction if seen.fraction else 0.0
    if seen.tint is not None:
        enough = seen.tint > max(0.0005 * full, 0.3 * seen.noise)
        if seen.black_known or enough:
            return enough and (signal is None or seen.tint > 0.12 * signal)
    if signal is None or signal <= seen.noise:
        return None
    lens = seen.falloff > max(0.03 * signal, 0.1 * seen.noise)
    return True if lens or seen.stars > 1 else None


def _level_words(seen: Look, signal: float | None) -> str:
    part = "" if seen.fraction is None else f" ({seen.fraction:.1%} of the range)"
    if seen.black_known:
        return f"{seen.level:.0f} ADU above black{part}"
    if signal is not None and signal > 0:
        return f"{seen.level:.0f} ADU{part}, {signal:.0f} ADU above the lowest"
    return f"{seen.level:.0f} ADU{part}"
