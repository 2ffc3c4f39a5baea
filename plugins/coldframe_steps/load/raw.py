"""Camera raw files through LibRaw: the mosaic as the converter gave it, nothing done to it.

Orientation is never applied, so that lights, darks and flats of one sensor stay pixel for pixel
the same. Facts that only LibRaw's decoder knows (CFA pattern, black and white level) come with
`read_frame`; `read_info` does not decode. It tells the caller so by the header entry
"decode for cfa", and by "clock": "camera" when the file does not say how far its clock is from UTC.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC
from pathlib import Path
from typing import Any

import rawpy

from coldframe.errors import SetAside
from coldframe.frame import Frame, FrameInfo
from coldframe_steps.load import exif
from coldframe_steps.load.dng_levels import black_levels
from coldframe_steps.load.dng_parts import check_parts
from coldframe_steps.load.guard import check_file, check_pixels, flagged, refusing

_NO_SENSOR = (0.0, float("inf"))


class RawReader:
    """Reads every camera raw file that LibRaw knows and whose sensor has a 2 x 2 CFA or none."""

    name = "camera-raw"
    version = "1"
    about = "Camera raw files that LibRaw knows, of sensors with a 2 x 2 CFA or none"
    suffixes: Sequence[str] = (
        ".dng", ".cr2", ".cr3", ".crw", ".nef", ".nrw", ".arw", ".srf", ".sr2", ".raf", ".orf",
        ".rw2", ".rwl", ".pef", ".srw", ".3fr", ".fff", ".iiq", ".mos", ".mef", ".mrw", ".erf",
        ".kdc", ".dcr", ".x3f",
    )  # fmt: skip

    def read_info(self, path: Path) -> Sequence[tuple[FrameInfo, Mapping[str, Any]]]:
        """Facts from the metadata; cfa, black and white are left to `read_frame`."""
        with _opened(path) as raw:
            size = raw.sizes
            if abs(size.pixel_aspect - 1) > 0.01:
                raise SetAside(
                    f"{path.name}: its pixels are not square ({size.pixel_aspect:g}:1), "
                    "which calibration and registration cannot use"
                )
            with refusing(path, "read its metadata"):
                tags = exif.read_tags(path)
            info = FrameInfo(path=str(path), shape=(size.height, size.width))
            if exif.number(tags, "EXIF ExposureTime", "Image ExposureTime") is None:
                # A container whose Exif cannot be found: LibRaw hands its own reading of the
                # metadata over only after decoding, so this once the pixels are decoded.
                info, header, utc = replace(info, **_shot(raw, path)), {}, False
            else:
                info, header = replace(info, **_facts(tags)), exif.header(tags)
                utc = exif.start_time(tags)[1]
        header |= {"decode for cfa": True, "clock": "UTC" if utc else "camera"}
        return [(info, header)]

    def read_frame(self, info: FrameInfo) -> Frame:
        """The visible area, uint16 (y, x); fills in cfa, black and white where info has none."""
        path = Path(info.path)
        with _opened(path) as raw, refusing(path, "decode its pixels"):
            raw.unpack()
            cfa, black = _mosaic(raw, path.name)
            if cfa is not None and path.suffix.lower() == ".dng":
                size = raw.sizes
                whole, margins = (
                    (size.raw_height, size.raw_width),
                    (size.top_margin, size.left_margin),
                )
                black = black_levels(path, whole, margins) or black
            data = raw.raw_image_visible.copy()
            info = replace(
                info,
                shape=data.shape,
                cfa=cfa if info.cfa is None else info.cfa,
                black=black if info.black is None else info.black,
                white=float(raw.white_level) if info.white is None else info.white,
            )
        return Frame(data, flagged(data, info.white, bottom=True), info)


@contextmanager
def _opened(path: Path) -> Iterator[rawpy.RawPy]:
    file_bytes = check_file(path)
    raw = rawpy.RawPy()
    try:
        try:
            with refusing(path, "open it"):
                raw.open_file(str(path))
        except SetAside:
            if not path.is_file():
                raise
            raise SetAside(
                f"{path.name}: is not a camera raw file that LibRaw {_libraw()} can read; "
                "it is damaged, or from a camera newer than that"
            ) from None
        size = raw.sizes
        check_pixels(path.name, size.raw_height, size.raw_width, 2, file_bytes)
        if path.suffix.lower() == ".dng":
            with refusing(path, "look at its pixels"):
                check_parts(path)
        yield raw
    finally:
        raw.close()


def _libraw() -> str:
    return ".".join(str(part) for part in rawpy.libraw_version)


def _facts(tags: Mapping[str, Any]) -> dict[str, Any]:
    """FrameInfo fields by standard Exif tags."""
    facts: dict[str, Any] = {
        "camera": exif.camera(tags),
        "lens": exif.text(tags, "EXIF LensModel", "MakerNote LensModel"),
        "iso": exif.iso(tags),
        "exposure": exif.number(tags, "EXIF ExposureTime", "Image ExposureTime"),
        "aperture": exif.number(tags, "EXIF FNumber", "Image FNumber"),
        "focal_length": exif.number(tags, "EXIF FocalLength", "Image FocalLength"),
        "start": exif.start_time(tags)[0],
    }
    for name in ("aperture", "focal_length"):
        if facts[name] in _NO_SENSOR:  # what cameras write when no lens talks to them
            facts[name] = None
    # Exif 2.31, tag 37888: AmbientTemperature.
    temperature = exif.number(tags, "EXIF AmbientTemperature", "EXIF Tag 0x9400")
    if temperature is not None:
        facts |= {"temperature": temperature, "temperature_source": "camera metadata"}
    return facts


def _shot(raw: rawpy.RawPy, path: Path) -> dict[str, Any]:
    """What LibRaw knows of the shot, as FrameInfo fields."""
    with refusing(path, "decode its pixels"):
        raw.unpack()
        shot, lens = raw.other, raw.lens
    # LibRaw turns the camera's clock into a time stamp by this computer's zone, and rawpy back.
    start = shot.timestamp.replace(tzinfo=UTC) if shot.timestamp.year > 1980 else None
    return {
        "lens": lens.model or None,
        "iso": round(shot.iso_speed) or None,
        "exposure": shot.shutter_speed or None,
        "aperture": shot.aperture or None,
        "focal_length": shot.focal_length or None,
        "start": start,
    }


def _mosaic(raw: rawpy.RawPy, name: str) -> tuple[str | None, tuple[float, ...]]:
    """(colours of the visible area's top left 2 x 2, black level of each).

    Raises SetAside for what is not a plain mosaic of red, green and blue, or no mosaic at all.
    """
    if raw.raw_type != rawpy.RawType.Flat:
        raise SetAside(
            f"{name}: holds colours already mixed by the camera, not single sensor values; "
            "set the camera to full-size raw"
        )
    levels = [float(level) for level in raw.black_level_per_channel]
    pattern = raw.raw_pattern
    if pattern.shape == (1, 1):
        return None, (levels[0],)
    if pattern.shape != (2, 2):
        raise SetAside(
            f"{name}: its colour filters repeat every {pattern.shape[0]}×{pattern.shape[1]} pixels; "
            "only 2×2 patterns of red, green and blue can be used"
        )
    top, left = raw.sizes.top_margin, raw.sizes.left_margin
    indices = [raw.raw_color(top + y, left + x) for y in (0, 1) for x in (0, 1)]
    colours = raw.color_desc.decode("ascii", "replace")
    cfa = "".join(colours[i] for i in indices)
    if sorted(cfa) != ["B", "G", "G", "R"]:
        raise SetAside(
            f"{name}: its colour filters are {cfa}; only patterns of red, green and blue can be used"
        )
    if indices.count(1) == 2:  # LibRaw keeps the second green's black level apart, as colour 3
        indices[len(indices) - 1 - indices[::-1].index(1)] = 3
    return cfa, tuple(levels[i] for i in indices)
