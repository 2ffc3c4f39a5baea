"""Which result needs which frames, in plain words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from coldframe.camera.file import Setting


@dataclass(frozen=True, slots=True)
class Need:
    """A result, whether it is there, and the frames it is made from."""

    result: str
    there: bool
    frames: str
    missing: str = ""  # what to shoot, when it is not there


def flats_missing(found: Iterable[Need]) -> bool:
    """Whether flats are asked for."""
    return any(not need.there and "flats" in need.missing for need in found)


def needs(setting: Setting, counts: Mapping[str, int], levels: int) -> Iterator[Need]:
    """Every result of a setting. counts : frames by kind. levels : light levels in the gain."""
    bias, dark, flat = (counts.get(kind, 0) for kind in ("bias", "dark", "flat"))
    flats = "pairs of flats, best at ten or more exposures from dark to saturated"
    yield Need(
        "gain",
        setting.gain is not None,
        f"{flat} flats" + (f" of {levels} levels" if levels else ""),
        f"{flats}, and bias frames (or dark flats) at the same setting",
    )
    yield Need(
        "read noise",
        setting.read_noise_adu is not None,
        f"{bias} bias frames" if bias > 1 else "darks of several exposures",
        "two or more bias frames",
    )
    yield Need(
        "read noise, dark current and DSNU in electrons",
        setting.gain is not None,
        "the gain",
        f"the gain, that is {flats}, at this very setting",
    )
    yield Need(
        "full well and white level",
        bool(setting.full_well_reached),
        f"{flat} flats",
        "flats at growing exposures up to fully white, two of each",
    )
    yield Need(
        "linearity",
        setting.linearity is not None,
        f"{flat} flats in steady light",
        "pairs of flats in steady light at five or more exposures between 5% and 95% of full scale",
    )
    yield Need(
        "dark current",
        bool(setting.dark),
        f"{dark} darks" + (f" and {bias} bias frames" if bias else ""),
        "two or more darks, and bias frames or darks of another exposure, at one temperature",
    )
    yield Need(
        "doubling temperature",
        setting.doubling is not None,
        f"darks at {len(setting.dark)} temperatures",
        "darks at two or more temperatures, best 5 °C apart or more, with their temperatures known",
    )
    yield Need(
        "hot pixels",
        bool(setting.dark),
        f"{dark} darks",
        "two or more darks as long as your lights; the more the surer",
    )
    yield Need(
        "DSNU",
        setting.dsnu_adu is not None,
        f"{bias} bias frames" if bias > 1 else "the shortest darks",
        "bias frames, best 16 or more",
    )
    yield Need(
        "PRNU",
        setting.prnu is not None,
        f"{flat} flats",
        "flats near half of full scale, best 16 or more, and bias frames",
    )
