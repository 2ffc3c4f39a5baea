"""Makes an invented night: a folder of raw frames as a camera would leave it, and the truth."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC
from functools import partial
from pathlib import Path

import numpy as np
from astropy.io import fits

from coldframe.demo.dng import DngFacts, write_dng
from coldframe.demo.events import cosmic_rays
from coldframe.demo.notes import night_notes, read_me
from coldframe.demo.plan import later_night, make_dust, plan_night
from coldframe.demo.render import add_smooth, add_stars, add_trail
from coldframe.demo.scenario import Scenario, scenario
from coldframe.demo.sensor import Sensor, expose, make_sensor
from coldframe.demo.sky import make_nebula, make_stars
from coldframe.demo.truth import Shot, Truth, load_truth, save_truth, truth_path
from coldframe.errors import UsageError
from coldframe.frame import Array, Kind

_OWN = ("notes.yaml", "README.txt")


@dataclass(frozen=True, slots=True)
class Outfit:
    """What stays the same all night. response : shading and dust, float32 (y, x)."""

    truth: Truth
    sensor: Sensor
    response: Array


def invent(kind: str = "colour", size: str = "small", seed: int = 1, night: int = 0) -> Outfit:
    """Invent a night without writing anything; the same arguments give the same night.

    night : 0, or the number of a later night: the same camera, sky and target, with other dust,
    pointing, seeing and sky brightness.

    Raises
    ------
    UsageError
        There is no such kind or size.
    """
    outfit = scenario(kind, size)
    sky, specimen, dirt, plan = (np.random.default_rng(s) for s in _seeds(seed, night))
    truth = _truth(outfit, size, seed, sky, dirt, plan, night)
    sensor = make_sensor(truth.camera, truth.shape, specimen)
    return Outfit(truth, sensor, truth.optics.response(truth.shape, truth.dust))


def make_night(
    folder: Path,
    size: str = "small",
    seed: int = 1,
    kind: str = "colour",
    night: int = 0,
    *,
    threads: int = 2,
    progress: Callable[[int, int], None] | None = None,
) -> Truth:
    """Write an invented night into `folder`, and the truth about it beside the folder.

    Parameters
    ----------
    folder : made if it is not there. A night of the demo that it holds is replaced.
    size : "tiny", "small" (about 100 frames of 1 to 1.5 megapixels) or "full" (24 megapixels).
    kind : "colour" (DNG files of an uncooled camera with a lens) or "mono" (FITS files of a
        cooled camera with filters on a telescope). night : see `invent`.
    progress : called with (frames done, frames in all).

    Raises
    ------
    UsageError
        The folder holds files that the demo did not make, or there is no such kind or size.
    """
    outfit = invent(kind, size, seed, night)
    truth = outfit.truth
    _clear(folder)
    folder.parent.mkdir(parents=True, exist_ok=True)
    save_truth(truth, truth_path(folder))
    folder.mkdir(parents=True, exist_ok=True)
    for parent in {(folder / shot.name).parent for shot in truth.shots}:
        parent.mkdir(exist_ok=True)
    (folder / "notes.yaml").write_text(night_notes(truth), encoding="utf-8")
    (folder / "README.txt").write_text(read_me(truth), encoding="utf-8")
    with ThreadPoolExecutor(max_workers=threads) as pool:
        jobs = pool.map(partial(_write, folder, outfit), range(len(truth.shots)))
        for done, _ in enumerate(jobs, start=1):
            if progress is not None:
                progress(done, len(truth.shots))
    return truth


def take(outfit: Outfit, number: int) -> Array:
    """The pixels of shot `number`, uint16 (y, x). Each frame has its own random generator."""
    truth = outfit.truth
    shot = truth.shots[number]
    seed = np.random.SeedSequence(truth.seed, spawn_key=(4, number, *_later(truth.night)))
    rng = np.random.default_rng(seed)
    light = _light(outfit, shot, rng)
    return expose(outfit.sensor, light, shot.exposure, shot.temperature, shot.setting, rng)


def _light(outfit: Outfit, shot: Shot, rng: np.random.Generator) -> Array | None:
    """Photo-electrons that reach each pixel, float32 (y, x)."""
    truth = outfit.truth
    cell = truth.cell(shot.band)
    if shot.lamp:
        lamp = np.array(shot.lamp, dtype=np.float32)[cell]
        height, width = truth.shape
        lit: Array = outfit.response * np.tile(lamp, (height // 2, width // 2))
        return lit
    image = np.zeros(truth.shape, dtype=np.float32)
    if shot.view is not None:
        view, seconds = shot.view, shot.exposure
        add_smooth(
            image, cell, view.projection, truth.nebula, view.glow, view.transparency, seconds
        )
        add_stars(image, cell, view.projection, truth.stars, view.psf, view.transparency * seconds)
        for trail in view.trails:
            add_trail(image, cell, trail)
        image *= outfit.response
    elif shot.kind is not Kind.DARK:
        return None  # too short for anything but the electronics to leave a mark
    for y, x, electrons in cosmic_rays(truth.shape, shot.exposure, rng):
        image[int(y), int(x)] += electrons
    return image


def _write(folder: Path, outfit: Outfit, number: int) -> None:
    shot = outfit.truth.shots[number]
    pixels = take(outfit, number)
    path = folder / shot.name
    if outfit.truth.kind == "colour":
        write_dng(path, pixels, _dng_facts(outfit.truth, shot))
    else:
        _write_fits(path, pixels, outfit.truth, shot)


def _dng_facts(truth: Truth, shot: Shot) -> DngFacts:
    camera, optics = truth.camera, truth.optics
    return DngFacts(
        make=camera.make,
        model=camera.model,
        cfa=camera.cfa or "RGGB",
        black=camera.black,
        white=camera.white,
        exposure=shot.exposure,
        iso=shot.setting,
        start=shot.start,
        aperture=optics.aperture,
        focal_length=optics.focal_length,
        lens=optics.name,
    )


def _write_fits(path: Path, pixels: Array, truth: Truth, shot: Shot) -> None:
    """A FITS file with the keywords that cooled cameras' drivers commonly write."""
    camera, optics = truth.camera, truth.optics
    start = shot.start.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="milliseconds")
    hdu = fits.PrimaryHDU(pixels)  # astropy stores uint16 with BZERO = 32768
    cards: list[tuple[str, object, str]] = [
        ("IMAGETYP", shot.kind.value.replace("-", "").upper(), "kind of frame"),
        ("DATE-OBS", start, "UTC, start of exposure"),
        ("EXPTIME", shot.exposure, "[s]"),
        ("INSTRUME", camera.name, "camera (invented)"),
        ("GAIN", shot.setting, "gain setting of the camera"),
        ("OFFSET", round(camera.black[0] / 20), "offset setting of the camera"),
        ("EGAIN", camera.gain(shot.setting), "[e-/ADU]"),
        ("CCD-TEMP", shot.temperature, "[degC] sensor"),
        ("XBINNING", 1, ""),
        ("YBINNING", 1, ""),
        ("XPIXSZ", camera.pitch, "[um]"),
        ("YPIXSZ", camera.pitch, "[um]"),
    ]
    if shot.band is not None:
        cards.append(("FILTER", truth.bands[shot.band], ""))
        cards.append(("TELESCOP", optics.name, ""))
        cards.append(("FOCALLEN", optics.focal_length, "[mm]"))
        cards.append(("APTDIA", optics.focal_length / optics.aperture, "[mm]"))
    if shot.kind is Kind.LIGHT:
        cards.append(("OBJECT", truth.target, "invented"))
    hdu.header.extend(cards)
    hdu.header.add_comment("Simulated: no real camera or sky made this frame.")
    # A fixed remark in place of the time of writing, so that the same night gives the same bytes.
    hdu.add_checksum(when="of the simulated frame")
    hdu.writeto(path, overwrite=True)


def _truth(
    outfit: Scenario,
    size: str,
    seed: int,
    sky: np.random.Generator,
    dirt: np.random.Generator,
    plan: np.random.Generator,
    night: int,
) -> Truth:
    height, width = outfit.shape
    radius = float(np.hypot(height, width)) / 2
    stars = make_stars(1.08 * radius, outfit.stars_per_megapixel, 1.0, 3e4, outfit.star_bands, sky)
    return Truth(
        kind=outfit.kind,
        size=size,
        seed=seed,
        target=outfit.target,
        shape=outfit.shape,
        bands=outfit.bands,
        camera=outfit.camera,
        optics=outfit.optics,
        dust=make_dust(outfit, dirt),
        stars=stars,
        nebula=make_nebula(radius, outfit.nebula_shell, outfit.nebula_core, sky),
        shots=plan_night(outfit, plan, later_night(outfit, night, plan)),
        night=night,
    )


def _seeds(seed: int, night: int) -> list[np.random.SeedSequence]:
    """Of sky and camera, which nights share, and of dust and plan, which are each night's own."""
    own = _later(night)
    keys = ((0,), (1,), (2, *own), (3, *own))
    return [np.random.SeedSequence(seed, spawn_key=key) for key in keys]


def _later(night: int) -> tuple[int, ...]:
    return (night,) if night else ()


def _clear(folder: Path) -> None:
    """Remove an earlier night of the demo; stop if anything else is there."""
    beside = truth_path(folder)
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} is a file; name a folder for the demo's night")
    present = [p for p in sorted(folder.rglob("*")) if not p.is_dir()] if folder.exists() else []
    if not present and not beside.exists():
        return
    own = set(_OWN)
    if beside.exists():
        own |= {shot.name for shot in load_truth(beside).shots}
    foreign = [p for p in present if p.relative_to(folder).as_posix() not in own]
    if foreign or not beside.exists():
        name = (foreign or present)[0].relative_to(folder)
        raise UsageError(
            f"{folder} holds files that the demo did not make, such as {name}; "
            "choose another folder"
        )
    for path in present:
        path.unlink()
