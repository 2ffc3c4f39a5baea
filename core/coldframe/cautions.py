"""Safety: cautions for people and gear outside at night, each said once.

Pages and commands repeat these words; tests/core/test_cautions.py holds them to it. Common
practice, no source; each gives way to local rules and to qualified people.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from coldframe.frame import Kind

SUNRISE = "before sunrise cap the optics and stop the drive"
IN_REPORT = "Before you go out for more frames, read Safety in this report."
IN_TERMINAL = "before you go out for more frames, read Safety in docs/shooting.md"


@dataclass(frozen=True, slots=True)
class Caution:
    """What can go wrong, and how to keep it from happening."""

    title: str
    words: str

    def __str__(self) -> str:
        return f"{self.title}. {self.words}"


SUN = Caution(
    "The sun",
    "Never point a telescope, a lens or a finder at the sun or near it, and never look through one "
    f"in that direction: it blinds in an instant and burns cameras. At the latest {SUNRISE}; at "
    "dusk uncover nothing until the sun is fully down. Coldframe moves no drive and closes no cap. "
    "What local rules and qualified people say comes first.",
)
FLATS = Caution(
    "Light for flats",
    "The sun is never the lamp: not direct, not by a mirror, not through paper, cloth or a diffuser. "
    "Take a light panel, or the twilight sky near the zenith, away from the sun's side. Flats at "
    "dawn end, and the caps go on, well before sunrise. What local rules and qualified people say "
    "comes first.",
)
POWER = Caution(
    "Power and dew heaters",
    "Each lead has a fuse that blows before the lead grows hot, is thick enough for its current, "
    "undamaged, uncoiled, and lies where nobody walks. Mains plugs and supplies stay dry and behind "
    "a residual-current device. Heaters and supplies overheat when they are covered: keep them free, "
    "and watch them at full load before you leave them alone, better not at all; switch off what "
    "smells or is too hot to touch. Charge lithium batteries as their maker says, never frozen, "
    "swollen or damaged. In doubt use batteries; mains work outdoors is for a qualified electrician "
    "under local rules.",
)
HEIGHTS = Caution(
    "Balconies, roofs and wind",
    "Secure tripod, camera and all that can fall or be blown over, within the railing. Do not lean "
    "out or climb over to reach, look or level. Keep off roofs that are not made to be walked on. "
    "Take everything down when the wind rises or a thunderstorm is near. House and local rules come "
    "first, and so do qualified people on what a roof or railing carries.",
)
LASERS = Caution(
    "Lasers",
    "Where pointers are allowed at all, never point one at or near aircraft, vehicles, people or "
    "animals, or at windows and mirrors, and keep it from children. Local law and qualified people "
    "decide.",
)
COLD = Caution(
    "Cold and ice",
    "Dress for several degrees colder than forecast, expect ice on paths and steps, and touch no "
    "freezing metal with bare hands. Batteries give less at frost: keep spares warm in a pocket. Let "
    "gear warm up in a closed bag, and dry before it gets power. Go in when you shiver or fingers "
    "grow numb. Local rules and weather warnings, and qualified medical help, come first.",
)
DARK_SITES = Caution(
    "Dark sites",
    "Know the way in and out by daylight, ask for permission, tell somebody where you are and when "
    "you will be back, watch for water and animals, and do not drive home tired. The owner's and "
    "local rules and what qualified people, such as rangers, say come first.",
)

OUTSIDE = (POWER, HEIGHTS, LASERS, COLD, DARK_SITES)
ALL = (SUN, FLATS, *OUTSIDE)
WATCHING = (SUN, POWER)
"""For gear that works while nobody looks."""
FOR_FLATS = (SUN, FLATS)


def for_frames(kinds: Iterable[Kind | None]) -> tuple[Caution, ...]:
    """Cautions for shooting frames of these kinds: the sun's always; none for no frames."""
    found = set(kinds)
    if not found:
        return ()
    return ALL if Kind.FLAT in found else (SUN, *OUTSIDE)
