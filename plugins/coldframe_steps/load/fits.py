"""FITS images through astropy: every image in the file that has two axes or more.

Values are stored value × BSCALE + BZERO (FITS Standard 4.0, 4.4.2.5), kept as uint16 where that
holds them all and as float32 otherwise. Undefined values (BLANK, NaN, infinities) become 0 with the
flag NO_DATA. Rows stay in the order in which they are stored.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from astropy.utils.exceptions import AstropyWarning

from coldframe.errors import SetAside
from coldframe.frame import Array, Flag, Frame, FrameInfo
from coldframe_steps.load import fits_header
from coldframe_steps.load.guard import check_file, check_pixels, flagged, refusing

# Astropy warns of every oddity in a header. What keeps a frame from being used is said in one line
# by this reader; the rest is nothing a photographer could act on.
warnings.filterwarnings("ignore", category=AstropyWarning, module=r"astropy\.io\.fits")

_IMAGES = (fits.PrimaryHDU, fits.ImageHDU, fits.CompImageHDU)
_COLOUR_WORDS = ("RGB", "COLOR", "COLOUR")
_MOST_HEADERS = 10_000


@dataclass(frozen=True, slots=True)
class _Image:
    """An image extension and how its axes are to be understood."""

    number: int
    hdu: Any
    shape: tuple[int, ...]  # (y, x), or (n, y, x)
    colour: bool

    @property
    def planes(self) -> Sequence[int | None]:
        """Plane numbers, or just None for an image that is one frame."""
        return [None] if len(self.shape) == 2 or self.colour else range(self.shape[0])


class FitsReader:
    """Reads FITS images, also tile-compressed and gzipped ones."""

    name = "fits"
    version = "1"
    about = "FITS images, also tile-compressed and gzipped ones; each plane of a cube is a frame"
    suffixes: Sequence[str] = (
        ".fits", ".fit", ".fts", ".fits.gz", ".fit.gz", ".fts.gz", ".fits.fz", ".fit.fz", ".fz",
    )  # fmt: skip

    def read_info(self, path: Path) -> Sequence[tuple[FrameInfo, Mapping[str, Any]]]:
        """Facts of every image; each plane of a cube is a frame, unless the planes are colours."""
        with _opened(path) as (hdus, images):
            return [
                entry
                for image in images
                for entry in self._image_info(path, hdus, image, several=len(images) > 1)
            ]

    def _image_info(
        self, path: Path, hdus: fits.HDUList, image: _Image, several: bool
    ) -> Iterator[tuple[FrameInfo, Mapping[str, Any]]]:
        values, comments = _merged_header(hdus, image)
        if fits_header.is_master(values):
            raise SetAside(
                f"{path.name}: its header calls it a master, a combination of many frames; "
                "give the single frames instead"
            )
        info = replace(
            fits_header.facts(values, comments),
            path=str(path),
            hdu=image.number if several else None,
            shape=(image.shape[-2], image.shape[-1]),
        )
        if image.colour:
            info = replace(info, cfa=None)
        for plane in image.planes:
            yield replace(info, plane=plane), values

    def read_frame(self, info: FrameInfo) -> Frame:
        """Pixels, uint16 or float32, (y, x) or (3, y, x), with flags."""
        path = Path(info.path)
        with _opened(path) as (_, images):
            for image in images:
                if info.hdu in (None, image.number) and info.plane in image.planes:
                    with refusing(path, "decode its pixels"):
                        data, flags = _values(
                            _stored(image, info.plane), _scaling(image.hdu), info.white
                        )
                    return Frame(data, flags, replace(info, shape=data.shape[-2:]))
        raise SetAside(f"{info.label}: is no longer in the file; has the file been replaced?")


@contextmanager
def _opened(path: Path) -> Iterator[tuple[fits.HDUList, list[_Image]]]:
    file_bytes = check_file(path)
    try:
        with refusing(path, "open it"):
            hdus = fits.open(path, mode="readonly", memmap=False, do_not_scale_image_data=True)
    except SetAside:
        if not path.is_file():
            raise
        raise SetAside(f"{path.name}: is not a FITS file, or its first header is damaged") from None
    with hdus:
        with refusing(path, "read its headers"):
            images = _images(path, hdus, file_bytes)
        yield hdus, images


def _images(path: Path, hdus: fits.HDUList, file_bytes: int) -> list[_Image]:
    images: list[_Image] = []
    others: list[str] = []
    for number, hdu in enumerate(hdus):
        if number > _MOST_HEADERS:
            raise SetAside(f"{path.name}: has more than {_MOST_HEADERS} extensions; not a frame")
        image = _image(path.name, number, hdu, file_bytes) if type(hdu) in _IMAGES else None
        if image is not None:
            images.append(image)
        elif hdu.header.get("NAXIS", 0) > 0:
            others.append(_what(hdu))
    _check_tail(path, hdus, file_bytes)
    if not images:
        what = " and ".join(dict.fromkeys(others)) or "headers"
        raise SetAside(
            f"{path.name}: holds no image, only {what}; leave it out of the night's folder"
        )
    return images


def _check_tail(path: Path, hdus: fits.HDUList, file_bytes: int) -> None:
    """Astropy stops at an extension whose header it cannot parse; say so instead."""
    place = hdus[-1].fileinfo()
    if place is None or place["file"].compression:
        return
    end = place["datLoc"] + place["datSpan"]
    if end < file_bytes:
        with path.open("rb") as file:
            file.seek(end)
            if file.read(8) == b"XTENSION":
                raise SetAside(
                    f"{path.name}: its extension {len(hdus)} is damaged; copy the file again, or "
                    "save its good images as files of their own"
                )


def _what(hdu: Any) -> str:
    if isinstance(hdu, fits.GroupsHDU):
        return "random groups"
    if isinstance(hdu, fits.BinTableHDU | fits.TableHDU):
        return "a table"
    return f"{hdu.header['NAXIS']}-dimensional data"


def _image(name: str, number: int, hdu: Any, file_bytes: int) -> _Image | None:
    """None when there are fewer than two axes, such as an empty primary header."""
    shape = tuple(hdu.shape)
    if len(shape) < 2 or 0 in shape:
        return None
    while len(shape) > 2 and shape[0] == 1:
        shape = shape[1:]
    if len(shape) > 3:
        return None
    check_pixels(name, shape[-2], shape[-1], abs(hdu.header["BITPIX"]) // 8, file_bytes)
    _check_end(name, hdu, file_bytes)
    hints = (str(hdu.header.get(key, "")).upper() for key in ("CTYPE3", "CNAME3", "COLORSPC"))
    colour = (
        len(shape) == 3
        and shape[0] == 3
        and any(w in hint for hint in hints for w in _COLOUR_WORDS)
    )
    return _Image(number, hdu, shape, colour)


def _check_end(name: str, hdu: Any, file_bytes: int) -> None:
    """Refuse an uncompressed file that ends before this image does."""
    place = hdu.fileinfo()
    if isinstance(hdu, fits.CompImageHDU) or place is None or place["file"].compression:
        return
    end = place["datLoc"] + hdu.size
    if end > file_bytes:
        raise SetAside(
            f"{name}: is truncated, {file_bytes} of {end} bytes are there; "
            "copy it again from the camera's computer"
        )


def _merged_header(hdus: fits.HDUList, image: _Image) -> tuple[dict[str, Any], dict[str, str]]:
    """(values, comments): those of the primary header unless the extension says otherwise."""
    values: dict[str, Any] = {}
    comments: dict[str, str] = {}
    for hdu in (hdus[0], image.hdu) if image.number else (hdus[0],):
        for card in hdu.header.cards:
            try:
                value, comment = card.value, str(card.comment)
            except (fits.VerifyError, ValueError):
                continue  # a card that cannot be parsed says nothing
            if isinstance(value, bool | int | float | str) and card.keyword:
                values[card.keyword], comments[card.keyword] = value, comment
    return values, comments


def _scaling(hdu: Any) -> tuple[float, float, int | None]:
    """BSCALE, BZERO and BLANK."""
    blank = hdu.header.get("BLANK")
    return (
        float(hdu.header.get("BSCALE", 1)),
        float(hdu.header.get("BZERO", 0)),
        blank if isinstance(blank, int) else None,
    )


def _stored(image: _Image, plane: int | None) -> Array:
    """The stored values, before BSCALE and BZERO, of one frame; only its own plane is read."""
    if plane is None:
        return np.asarray(image.hdu.data).reshape(image.shape)
    extra = len(image.hdu.shape) - 3  # leading axes of length 1
    return np.asarray(image.hdu.section[(0,) * extra + (plane,)])


def _values(
    stored: Array, scaling: tuple[float, float, int | None], white: float | None
) -> tuple[Array, Array]:
    """(data, flags) from stored values and their BSCALE, BZERO and BLANK."""
    scale, zero, blank = scaling
    whole = stored.dtype.kind in "iu"
    top: float | None = None
    if whole:
        bad = np.zeros(stored.shape, bool) if blank is None else stored == blank
        limits = np.iinfo(stored.dtype)
        exact = scale == 1 and zero == int(zero)
        low, high = limits.min + zero, limits.max + zero
        if exact and limits.bits <= 16:
            top = high
    if whole and exact and low >= 0 and high <= 65535:
        data = (stored.astype(np.int32) + np.int32(zero)).astype(np.uint16)
    elif not whole and (scale, zero) == (1, 0):
        with np.errstate(over="ignore"):
            data = stored.astype(np.float32)
    else:
        with np.errstate(over="ignore", invalid="ignore"):
            data = (stored.astype(np.float64) * scale + zero).astype(np.float32)
    if not whole:
        bad = ~np.isfinite(data)
    data[bad] = 0
    ceiling = min((level for level in (white, top) if level is not None), default=None)
    flags = flagged(data, ceiling, bottom=whole and bool(data.min() >= 0))
    nowhere = bad.any(axis=0) if bad.ndim == 3 else bad
    flags[nowhere] = np.uint8(Flag.NO_DATA)
    return data, flags
