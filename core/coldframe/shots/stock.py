"""What calibration frames there are, and how noisy each kind and the lights are."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from coldframe.camera.advice import camera_numbers
from coldframe.camera.darkness import hot_pixels
from coldframe.camera.file import CameraFile
from coldframe.camera.known import setting_of
from coldframe.camera.light import Offset, offset_of, sky_of
from coldframe.camera.sets import FrameSet
from coldframe.camera.transfer import QUANTISATION
from coldframe.camera.window import Reader, Window
from coldframe.errors import UsageError
from coldframe.frame import FrameInfo, Kind
from coldframe.grouping import group
from coldframe.matching import Match, match

_ENOUGH = 8  # frames that tell a noise well enough
_HOT_SIGMAS = 10.0
_PER: Mapping[Kind, tuple[str, ...]] = {
    Kind.BIAS: ("iso", "gain_setting", "offset"),
    Kind.DARK: ("iso", "gain_setting", "offset", "exposure", "temperature"),
    Kind.DARK_FLAT: ("iso", "gain_setting", "offset", "exposure"),
    Kind.FLAT: ("iso", "gain_setting", "exposure", "filter", "optics", "aperture", "focal_length"),
}


@dataclass(frozen=True, slots=True)
class Stocked:
    """Equal calibration frames, or a master made of so many.

    members : the frames themselves; none for a master from elsewhere, such as a library.
    """

    kind: Kind
    info: FrameInfo
    frames: int
    members: tuple[FrameInfo, ...] = ()


@dataclass(frozen=True, slots=True)
class LightNoise:
    """Of one light's pixel: variance in ADU^2, sky level above the offset in ADU (None when not
    known), and what that rests on. A variance of None means that nothing is known."""

    variance: float | None
    level: float | None
    source: str


@dataclass(frozen=True, slots=True)
class FrameNoise:
    """Temporal variance of one calibration frame, ADU^2; signal above the offset for flats, ADU."""

    variance: float | None
    signal: float | None
    source: str


def stock(frames: Sequence[FrameInfo], extra: Iterable[Stocked] = ()) -> list[Stocked]:
    """The calibration frames in groups, and what else there is."""
    out: list[Stocked] = []
    for kind, per in _PER.items():
        own = [f for f in frames if f.kind is kind]
        for one in group(own, per):
            members = tuple(own[i] for i in one.members)
            out.append(Stocked(kind, one.info, len(members), members))
    return [*out, *extra]


def find(wanted: FrameInfo, kind: Kind, have: Sequence[Stocked]) -> tuple[Stocked | None, Match]:
    """The stock that serves a frame, by the rules of matching; a dark to be scaled is none."""
    own = [s for s in have if s.kind is kind]
    chosen = match(wanted, kind, [s.info for s in own])
    return (None if chosen.index is None else own[chosen.index]), chosen


class Noises:
    """Measures noise from the frames at hand, else takes it from camera files."""

    def __init__(
        self, frames: Sequence[FrameInfo], cameras: Sequence[CameraFile], read: Reader
    ) -> None:
        self._frames, self._cameras = frames, cameras
        self._window = Window(read, None)
        self._measured: dict[str, FrameNoise | None] = {}

    @property
    def set_aside(self) -> Sequence[tuple[str, str]]:
        """(label, reason) of frames that could not be read."""
        return self._window.set_aside

    def light(self, lights: Sequence[FrameInfo], sky: float | None = None) -> LightNoise:
        """Of lights of one setting. Of planned ones (no path) from `sky`, e-/s with dark current."""
        first = lights[0]
        if not first.path:
            return self._planned(first, sky)
        few = lights[:: max(1, len(lights) // _ENOUGH)][:_ENOUGH]
        try:
            offset = self._offset(first)
        except UsageError:
            offset = None
        level_known = offset is not None
        if offset is None:
            offset = Offset((0.0,) * (4 if self._window.cfa(first) else 1), 0.0, "")
        skies = [s for light in few if (s := sky_of(light, offset, self._window)) is not None]
        if not skies:
            return LightNoise(None, None, "no light could be read")
        # The colour of the least noise asks for the most frames.
        colour = min(skies[0].noise, key=lambda c: float(np.median([s.noise[c] for s in skies])))
        noise = float(np.median([s.noise[colour] for s in skies]))
        level = float(np.median([s.level[colour] for s in skies])) if level_known else None
        if noise <= 0:
            return LightNoise(None, level, "the lights show no noise")
        return LightNoise(noise**2, level, "measured in the lights")

    def _planned(self, light: FrameInfo, sky: float | None) -> LightNoise:
        numbers = camera_numbers(light, self._cameras)
        if numbers is None or sky is None or not light.exposure:
            return LightNoise(None, None, "sky and camera are not known")
        gain, noise = numbers
        level = sky * light.exposure / gain.value
        variance = noise.value**2 + QUANTISATION + level / gain.value
        return LightNoise(variance, level, "from the sky you gave and the camera file")

    def _offset(self, light: FrameInfo) -> Offset:
        biases = [
            f
            for f in self._frames
            if f.kind is Kind.BIAS
            and all(
                getattr(f, n) == getattr(light, n)
                for n in ("camera", "iso", "gain_setting", "offset", "binning")
            )
        ]
        known = setting_of(light, self._cameras)
        return offset_of(light, biases, known[1].black if known else None, self._window)

    def frame(self, kind: Kind, wanted: FrameInfo, here: Stocked | None) -> FrameNoise:
        """Of one calibration frame as `wanted`: from those that exist, else from a camera file."""
        if here is not None and len(here.members) >= 2:
            key = here.members[0].path
            if key not in self._measured:
                self._measured[key] = self._measure(here)
            found = self._measured[key]
            if found is not None:
                return found
        return self._from_camera(kind, wanted)

    def _measure(self, here: Stocked) -> FrameNoise | None:
        found = self._set(here)
        if found is None:
            return None
        hot = hot_pixels(found.mean, found.cfa, _HOT_SIGMAS)
        variance = float(np.mean(found.variances(~hot)))
        return FrameNoise(variance, self._signal(here, found), "measured in those that exist")

    def _signal(self, here: Stocked, found: FrameSet) -> float | None:
        if here.kind is not Kind.FLAT:
            return None
        try:
            offset = self._offset(here.members[0])
        except UsageError:
            return None
        return float(np.mean(np.array(found.means()) - np.array(offset.level)))

    def _set(self, here: Stocked) -> FrameSet | None:
        offset: tuple[float, ...] | None = None
        if here.kind is Kind.FLAT:
            try:
                offset = self._offset(here.members[0]).level
            except UsageError:
                offset = None
        return self._window.gather(here.members[:_ENOUGH], offset)

    def _from_camera(self, kind: Kind, wanted: FrameInfo) -> FrameNoise:
        numbers = camera_numbers(wanted, self._cameras)
        if numbers is None:
            return FrameNoise(
                None,
                None,
                "no frames of it are here to measure, and no camera file knows this setting",
            )
        gain, noise = numbers
        variance = noise.value**2 + QUANTISATION
        known = setting_of(wanted, self._cameras)
        setting = known[1] if known else None
        if kind in (Kind.DARK, Kind.DARK_FLAT):
            rate = setting.dark_rate(wanted.temperature) if setting else None
            if rate is None and kind is Kind.DARK:
                return FrameNoise(
                    None, None, "the camera file has no dark current for this temperature"
                )
            variance += (rate or 0.0) * (wanted.exposure or 0.0) / gain.value**2
        if kind is not Kind.FLAT:
            return FrameNoise(variance, None, "from the camera file")
        white = wanted.white or (setting.white if setting else None)
        black = setting.black if setting and setting.black else wanted.black
        if white is None or black is None:
            return FrameNoise(
                None, None, "the camera file has no white level, so a flat's level is not known"
            )
        signal = 0.5 * (white - float(np.mean(black)))
        return FrameNoise(
            variance + signal / gain.value, signal, "at half of full scale, from the camera file"
        )
