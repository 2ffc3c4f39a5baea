"""Writing and indexing FITS files without holding them in memory.

Coldframe's own products only: images and one kind of table. Frames of cameras, which may hold
anything, go through a general library. Source: FITS Standard 4.0 (IAU FITS Working Group, 2018).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from coldframe.checksum import add_words, added, encoded
from coldframe.planes import Array, Filed, Plane, pieces

BLOCK = 2880  # bytes; headers and data fill whole blocks (section 3.1)
CARD = 80

BITPIX = {"u1": 8, "i2": 16, "u2": 16, "i4": 32, "u4": 32, "i8": 64, "f4": -32, "f8": -64}
"""Types that can be written; unsigned ones of more than a byte by BZERO (section 5.2.5)."""

STORED = {8: "u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}

MOST_HEADER = 10_000 * CARD  # a longer header is a damaged one


@dataclass(frozen=True, slots=True)
class Hdu:
    """A header and its data: a plane, the bytes of a table, or nothing."""

    header: Any  # astropy.io.fits.Header
    data: Plane | bytes | None = None


@dataclass(frozen=True, slots=True)
class Indexed:
    """An HDU of a file: cards by keyword as text, HISTORY lines, and where the data are."""

    cards: Mapping[str, str]
    history: Sequence[str]
    at: int
    size: int
    plane: Filed | None  # None for tables and where there are no data

    @property
    def name(self) -> str:
        """EXTNAME, upper case; empty for the primary HDU."""
        return text_value(self.cards.get("EXTNAME", ""))


def image_header(shape: Sequence[int], kind: np.dtype[Any], name: str | None) -> Any:
    """The mandatory cards of an image in their order (sections 4.4.1 and 7.1).

    shape : as numpy has it, x last. name : EXTNAME; None for the primary HDU.

    Raises ValueError for a type that FITS has no number for.
    """
    from astropy.io import fits

    code = kind.str[1:]
    if code not in BITPIX:
        raise ValueError(f"FITS cannot hold pixels of the type {kind}")
    header = fits.Header()
    if name is None:
        header["SIMPLE"] = (True, "conforms to FITS standard")
    else:
        header["XTENSION"] = ("IMAGE", "Image extension")
    header["BITPIX"] = (BITPIX[code], "array data type")
    header["NAXIS"] = (len(shape), "number of array dimensions")
    for axis, size in enumerate(reversed(shape), 1):
        header[f"NAXIS{axis}"] = size
    if name is None:
        header["EXTEND"] = True
    else:
        header["PCOUNT"] = (0, "number of parameters")
        header["GCOUNT"] = (1, "number of groups")
    if _zero(kind):
        header["BSCALE"], header["BZERO"] = 1, _zero(kind)
    if name:
        header["EXTNAME"] = (name.upper(), "extension name")
    return header


def table_header(name: str, forms: Mapping[str, str], width: int, rows: int) -> Any:
    """The cards of a binary table (section 7.3). forms : TFORM by column. width : bytes of a row."""
    from astropy.io import fits

    header = fits.Header()
    header["XTENSION"] = ("BINTABLE", "binary table extension")
    header["BITPIX"] = (8, "array data type")
    header["NAXIS"] = (2, "number of array dimensions")
    header["NAXIS1"] = (width, "length of dimension 1")
    header["NAXIS2"] = (rows, "length of dimension 2")
    header["PCOUNT"] = (0, "number of group parameters")
    header["GCOUNT"] = (1, "number of groups")
    header["TFIELDS"] = (len(forms), "number of table fields")
    for number, (column, form) in enumerate(forms.items(), 1):
        header[f"TTYPE{number}"] = column
        header[f"TFORM{number}"] = form
    header["EXTNAME"] = (name, "extension name")
    return header


def _zero(kind: np.dtype[Any]) -> int:
    unsigned = kind.kind == "u" and kind.itemsize > 1
    return 1 << (8 * kind.itemsize - 1) if unsigned else 0


def write_hdus(file: BinaryIO, hdus: Sequence[Hdu], *, checksum: bool) -> int:
    """Write one HDU after another, data in pieces; the sum of all that was written.

    checksum : add CHECKSUM and DATASUM cards (section 4.4.2.7). Their comment holds no time of
    writing: the same content gives the same bytes.
    """
    whole = 0
    for hdu in hdus:
        start = file.tell()
        if checksum:
            # Any sum has room in these, so that the header can be written again when it is known.
            hdu.header["CHECKSUM"] = ("0" * 16, "checksum")
            hdu.header["DATASUM"] = ("0", "checksum")
        text = _text(hdu.header)
        file.write(text)
        total = 0
        for piece in _stored(hdu.data):
            total = add_words(total, piece)  # while it is in the processor's cache
            file.write(piece.data)
        if checksum:
            end = file.tell()
            hdu.header["DATASUM"] = (str(total), "checksum")
            hdu.header["CHECKSUM"] = (encoded(add_words(total, _text(hdu.header))), "checksum")
            text = _text(hdu.header)
            file.seek(start)
            file.write(text)
            file.seek(end)
        whole = added(whole, add_words(total, text))
    return whole


def _text(header: Any) -> bytes:
    text: bytes = header.tostring().encode("ascii")
    return text


def _stored(data: Plane | bytes | None) -> Iterator[Array]:
    """The bytes of the data in the file's order and up to a full block, as uint8.

    All pieces are whole words.
    """
    rest, size = np.empty(0, np.uint8), 0
    for piece in _swapped(data):
        whole = np.concatenate([rest, piece]) if rest.size else piece
        cut = whole.size - whole.size % 4
        rest = whole[cut:].copy()
        size += cut
        yield whole[:cut]
    fill = -(size + rest.size) % BLOCK
    if rest.size + fill:
        yield np.concatenate([rest, np.zeros(fill, np.uint8)])


def _swapped(data: Plane | bytes | None) -> Iterator[Array]:
    if data is None:
        return
    if isinstance(data, bytes):
        yield np.frombuffer(data, np.uint8)
        return
    kind = data.dtype
    zero = _zero(kind)
    for piece in pieces(data):
        turned = piece ^ kind.type(zero) if zero else piece
        yield np.ascontiguousarray(turned, kind.newbyteorder(">")).reshape(-1).view(np.uint8)


def index(path: Path) -> list[Indexed]:
    """The HDUs of a file that `write_hdus` wrote, without their data.

    Raises OSError, or ValueError when it is damaged.
    """
    out: list[Indexed] = []
    end = path.stat().st_size
    with path.open("rb") as file:
        at = 0
        while at < end:
            file.seek(at)
            cards, history, length = _header(file)
            at += length
            shape = tuple(int(cards[f"NAXIS{n}"]) for n in range(int(cards["NAXIS"]), 0, -1))
            bits = int(cards["BITPIX"])
            size = math.prod(shape) * abs(bits) // 8 if shape else 0
            plane = None
            if shape and text_value(cards.get("XTENSION", "'IMAGE'")) == "IMAGE":
                zero = int(float(cards.get("BZERO", "0")))
                plane = Filed(path, at, shape, np.dtype(STORED[bits]), zero)
            out.append(Indexed(cards, history, at, size, plane))
            at += size + -size % BLOCK
    if not out or at != end:
        raise ValueError("its headers and its size do not agree")
    return out


def _header(file: BinaryIO) -> tuple[dict[str, str], list[str], int]:
    cards: dict[str, str] = {}
    history: list[str] = []
    length = 0
    while length < MOST_HEADER:
        block = file.read(BLOCK).decode("ascii")
        if len(block) < BLOCK:
            break
        length += BLOCK
        for start in range(0, BLOCK, CARD):
            card = block[start : start + CARD]
            keyword = card[:8].rstrip()
            if keyword == "END":
                return cards, history, length
            if keyword == "HISTORY":
                history.append(card[8:].rstrip())
            elif card[8:10] == "= ":
                value = card[10:]
                cards[keyword] = value if value.lstrip()[:1] == "'" else value.split("/")[0].strip()
    raise ValueError("a header has no end")


def text_value(value: str) -> str:
    """The text of a card's quoted value (section 4.2.1); other values as they are."""
    value = value.strip()
    if not value.startswith("'"):
        return value
    end = 1
    while True:
        end = value.index("'", end)
        if value[end + 1 : end + 2] != "'":
            return value[1:end].replace("''", "'").rstrip()
        end += 2
