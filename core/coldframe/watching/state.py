"""What a watched night looks like at one moment: all that terminal and page show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from coldframe.cautions import WATCHING
from coldframe.frame import FrameInfo
from coldframe.watching.trends import Light

MOST = 4  # files that are waited for are told one by one


@dataclass(frozen=True, slots=True)
class Shown:
    """A light, and whether it is in the picture; if not, why."""

    id: str
    info: FrameInfo
    light: Light
    used: bool
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Depth:
    """How deep a growing stack is. exposure in s; noise and sky in ADU, fwhm in px of the
    picture; improvement : how many times less noise than its first frame. None: not known. drawn :
    frames in the preview, and in these numbers."""

    label: str
    frames: int = 0
    exposure: float = 0.0
    uncalibrated: int = 0
    noise: float | None = None
    sky: float | None = None
    fwhm: float | None = None
    improvement: float | None = None
    drawn: int = 0


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The night at one moment. version : counts up with each change. phase : watching, finishing
    or done. waiting : files that are not whole yet, with why. warnings : what the sky or the focus
    does. notes : what else is worth knowing."""

    version: int = 0
    phase: str = "watching"
    night: str = ""
    recipe: str = ""
    lights: tuple[Shown, ...] = ()
    stacks: tuple[Depth, ...] = ()
    waiting: Mapping[str, str] = field(default_factory=dict)
    aside: Mapping[str, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready, without where files lie."""
        return {
            "version": self.version,
            "phase": self.phase,
            "night": self.night,
            "recipe": self.recipe,
            "lights": [light_dict(shown) for shown in self.lights],
            "stacks": [asdict(depth) for depth in self.stacks],
            "waiting": dict(self.waiting),
            "set_aside": dict(self.aside),
            "warnings": list(self.warnings),
            "notes": list(self.notes),
            "cautions": [str(caution) for caution in WATCHING],
        }


def light_dict(shown: Shown) -> dict[str, Any]:
    """One light, JSON-ready."""
    light = shown.light
    return {
        "frame": light.label,
        "start": light.start.isoformat() if light.start else None,
        "stars": light.stars,
        "fwhm": light.fwhm,
        "sky": light.sky,
        "flux": light.flux,
        "used": shown.used,
        "reason": shown.reason,
    }


def in_words(shown: Shown) -> str:
    """One light in a line."""
    light = shown.light
    parts = [
        f"{light.stars:.0f} stars" if light.stars is not None else "",
        f"FWHM {light.fwhm:.1f} px" if light.fwhm is not None else "",
        f"sky {light.sky:.3g} ADU/s" if light.sky is not None else "",
        f"starlight {light.flux:.0%}" if light.flux is not None else "",
    ]
    text = f"{light.label}: " + ", ".join(part for part in parts if part)
    return text if shown.used else f"{text}; set aside: {shown.reason}"


def depth_words(depth: Depth) -> str:
    """One growing stack in a line."""
    parts = [
        f"{depth.frames} {'frame' if depth.frames == 1 else 'frames'}",
        f"{depth.exposure / 60:.0f} min" if depth.exposure else "",
        f"noise {depth.noise:.3g} ADU" if depth.noise is not None else "",
        f"{depth.improvement:.2f} x better than the first" if depth.improvement else "",
        f"FWHM {depth.fwhm:.1f} px" if depth.fwhm is not None else "",
        f"{depth.uncalibrated} without masters" if depth.uncalibrated else "",
    ]
    return f"{depth.label}: " + ", ".join(part for part in parts if part)


def waiting_words(night: Snapshot) -> list[str]:
    """Files that are waited for; many of them in one line."""
    found = list(night.waiting.items())
    if len(found) > MOST:
        return [f"waiting for {len(found)} files, such as {found[0][0]}: {found[0][1]}"]
    return [f"waiting for {name}: {why}" for name, why in found]
