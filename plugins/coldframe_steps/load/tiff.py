"""TIFF images of 8, 16 or 32 bits, one colour or three, through tifffile.

Sources: TIFF Revision 6.0 (1992); CIPA DC-008 for the Exif directory that cameras and programs
add. A file may hold several pages; each full-size one is a frame.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

from coldframe.errors import SetAside
from coldframe.frame import Array, Flag, Frame, FrameInfo
from coldframe_steps.load import exif
from coldframe_steps.load.guard import check_file, check_pixels, flagged, refusing

_MOST_PAGES = 10_000
_REDUCED = 1  # TIFF 6.0, NewSubfileType, bit 0: a smaller version of another image
_ONE_COLOUR = ("MINISBLACK", "CFA")


class TiffReader:
    """Reads TIFF images; every page of the first page's size is a frame."""

    name = "tiff"
    version = "1"
    about = "TIFF images; every page of the first page's size is a frame"
    suffixes: Sequence[str] = (".tif", ".tiff")

    def read_info(self, path: Path) -> Sequence[tuple[FrameInfo, Mapping[str, Any]]]:
        """Facts from the Exif directory, where the file has one."""
        with _opened(path) as pages:
            with refusing(path, "read its metadata"):
                tags = exif.read_tags(path)
            info = FrameInfo(
                path=str(path),
                camera=exif.camera(tags),
                lens=exif.text(tags, "EXIF LensModel"),
                iso=exif.iso(tags),
                exposure=exif.number(tags, "EXIF ExposureTime"),
                aperture=exif.number(tags, "EXIF FNumber") or None,
                focal_length=exif.number(tags, "EXIF FocalLength") or None,
                start=exif.start_time(tags)[0],
                shape=(pages[0].imagelength, pages[0].imagewidth),
                cfa=_cfa(pages[0]),
            )
            utc = exif.start_time(tags)[1]
            header = exif.header(tags) | {"clock": "UTC" if utc else "camera"}
            numbers: Sequence[int | None] = range(len(pages)) if len(pages) > 1 else [None]
            return [(replace(info, plane=number), header) for number in numbers]

    def read_frame(self, info: FrameInfo) -> Frame:
        """Pixels, uint16 or float32, (y, x) or (3, y, x), with flags."""
        path = Path(info.path)
        with _opened(path) as pages:
            number = info.plane or 0
            if number >= len(pages):
                raise SetAside(
                    f"{info.label}: is no longer in the file; has the file been replaced?"
                )
            with refusing(path, "decode its pixels"):
                data, flags = _values(_stored(pages[number]), info.white)
        return Frame(data, flags, replace(info, shape=data.shape[-2:]))


@contextmanager
def _opened(path: Path) -> Iterator[list[Any]]:
    """The pages that are frames."""
    file_bytes = check_file(path)
    try:
        with refusing(path, "open it"):
            file = tifffile.TiffFile(path)
    except SetAside:
        if not path.is_file():
            raise
        raise SetAside(f"{path.name}: is not a TIFF file, or its start is damaged") from None
    with file:
        with refusing(path, "read its pages"):
            pages = _pages(path, file, file_bytes)
        yield pages


def _pages(path: Path, file: tifffile.TiffFile, file_bytes: int) -> list[Any]:
    pages: list[Any] = []
    for number, page in enumerate(file.pages):
        if number > _MOST_PAGES:
            raise SetAside(f"{path.name}: has more than {_MOST_PAGES} pages; not a frame")
        if not isinstance(page, tifffile.TiffPage):
            page = page.aspage()
        same = not pages or page.shape == pages[0].shape
        if same and not int(page.subfiletype or 0) & _REDUCED:
            _check(path.name, page, file_bytes)
            pages.append(page)
    if not pages:
        raise SetAside(f"{path.name}: holds no full-size image")
    return pages


def _check(name: str, page: Any, file_bytes: int) -> None:
    """Refuse what cannot be used as linear sensor values, before any pixel is read."""
    if (
        page.dtype is None
        or page.dtype.kind not in "uif"
        or page.bitspersample not in (8, 16, 32, 64)
    ):
        raise SetAside(f"{name}: has {page.bitspersample} bits a value; save it with 16 or 32 bits")
    colours = page.photometric.name
    samples = int(page.samplesperpixel)
    if not (colours in _ONE_COLOUR or (colours == "RGB" and samples >= 3)):
        raise SetAside(f"{name}: stores colours as {colours}; save it as linear grey or RGB")
    if int(page.imagedepth) != 1:
        raise SetAside(f"{name}: is a three-dimensional volume, not an image")
    check_pixels(name, page.imagelength, page.imagewidth, page.dtype.itemsize * samples, file_bytes)
    ends = [a + b for a, b in zip(page.dataoffsets, page.databytecounts, strict=False)]
    if not ends or max(ends) > file_bytes:
        raise SetAside(
            f"{name}: is truncated, {file_bytes} of {max(ends, default=0)} bytes are there; copy it again"
        )


def _cfa(page: Any) -> str | None:
    """Colours of a mosaic stored as TIFF/EP (ISO 12234-2) has it; None for any other image."""
    pattern = page.tags.get("CFAPattern")
    if page.photometric.name != "CFA" or pattern is None or len(pattern.value) != 4:
        return None
    cfa = "".join("RGB"[i] if i < 3 else "?" for i in bytes(pattern.value))
    return cfa if sorted(cfa) == ["B", "G", "G", "R"] else None


def _stored(page: Any) -> Array:
    """One page as (y, x) or (3, y, x); extra samples such as transparency are left out."""
    try:
        pixels = page.asarray()
    except ValueError as error:
        if "imagecodecs" in str(error):
            raise SetAside(
                f"{Path(page.parent.filehandle.name).name}: is compressed with {page.compression.name}; "
                "save it uncompressed or with deflate (zip)"
            ) from None
        raise
    if int(page.samplesperpixel) == 1:
        return pixels.reshape(page.imagelength, page.imagewidth)
    planes = pixels if page.planarconfig.name == "SEPARATE" else np.moveaxis(pixels, -1, 0)
    return np.ascontiguousarray(planes[:3] if page.photometric.name == "RGB" else planes[0])


def _values(stored: Array, white: float | None) -> tuple[Array, Array]:
    """(data, flags): whole numbers of 8 or 16 bits as uint16, all else as float32."""
    whole = stored.dtype.kind == "u"
    top = float(np.iinfo(stored.dtype).max) if whole and stored.dtype.itemsize <= 2 else None
    with np.errstate(over="ignore"):
        data = stored.astype(np.float32 if top is None else np.uint16)
    bad = ~np.isfinite(data)
    data[bad] = 0
    ceiling = min((level for level in (white, top) if level is not None), default=None)
    flags = flagged(data, ceiling, bottom=whole)
    flags[bad.any(axis=0) if bad.ndim == 3 else bad] = np.uint8(Flag.NO_DATA)
    return data, flags
