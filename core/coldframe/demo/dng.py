"""Writes a CFA mosaic as a DNG file: lossless JPEG, 16 bit, byte for byte the same every time.

Sources: Adobe, Digital Negative (DNG) Specification 1.4.0.0; TIFF Revision 6.0; ISO 12234-2
(TIFF/EP); CIPA DC-008 (Exif 2.31) for the Exif IFD. The layout is the plainest that the
specification allows: the raw image is IFD 0 itself, in tiles, with an Exif IFD beside it.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from itertools import accumulate
from pathlib import Path

import numpy as np

from coldframe.demo.ljpeg import encode
from coldframe.frame import Array

_BYTE, _ASCII, _SHORT, _LONG, _RATIONAL, _UNDEFINED, _SRATIONAL = 1, 2, 3, 4, 5, 7, 10
_SIZES = {_BYTE: 1, _ASCII: 1, _SHORT: 2, _LONG: 4, _RATIONAL: 8, _UNDEFINED: 1, _SRATIONAL: 8}
_CODES = {_BYTE: "B", _SHORT: "H", _LONG: "I", _RATIONAL: "I", _SRATIONAL: "i"}
_MOST = {_RATIONAL: 2**32 - 1, _SRATIONAL: 2**31 - 1}
_DATE = "%Y:%m:%d %H:%M:%S"

Entry = tuple[int, int, bytes]  # tag, type, value


@dataclass(frozen=True, slots=True)
class DngFacts:
    """What the file says about its mosaic.

    cfa : colours of the top left 2 x 2 of the active area, row-major. black : ADU, one for each
    of these four positions. white : ADU. active : (top, left, bottom, right) in pixels, the whole
    mosaic when None. start : with a time zone; the zone is written as the Exif offset.
    orientation : the TIFF number, 1 to 8. colour_matrix : XYZ to camera, row-major 3 x 3, under
    the D65 illuminant. neutral : camera response to grey. exposure in s, focal length in mm,
    temperature in °C.
    """

    make: str
    model: str
    cfa: str
    black: tuple[float, float, float, float]
    white: int
    exposure: float
    iso: int
    start: datetime
    active: tuple[int, int, int, int] | None = None
    orientation: int = 1
    aperture: float | None = None
    focal_length: float | None = None
    lens: str | None = None
    temperature: float | None = None
    software: str = "Coldframe demo (simulated)"
    colour_matrix: tuple[float, ...] = (0.85, -0.30, -0.08, -0.45, 1.25, 0.22, -0.08, 0.20, 0.60)
    neutral: tuple[float, float, float] = (0.52, 1.0, 0.66)


def write_dng(path: Path, mosaic: Array, facts: DngFacts) -> None:
    """Write `mosaic` (uint16, (y, x)) with its facts.

    Raises
    ------
    ValueError
        The mosaic is not two-dimensional uint16, or a fact does not fit it.
    """
    if mosaic.ndim != 2 or mosaic.dtype != np.uint16:
        raise ValueError(f"a CFA mosaic is 2-D uint16, not {mosaic.ndim}-D {mosaic.dtype}")
    if sorted(facts.cfa) != ["B", "G", "G", "R"]:
        raise ValueError(f"not a 2 x 2 CFA pattern of R, G, G, B: {facts.cfa!r}")
    if facts.start.tzinfo is None:
        raise ValueError("the start time needs a time zone")
    tile = _tile(mosaic.shape)
    streams = encode(mosaic, tile)
    lengths = [len(stream) for stream in streams]
    image = _image(mosaic.shape, facts, tile, lengths, exif_at=0, data_at=0)
    exif = _exif(facts)
    exif_at = 8 + _length(image)
    data_at = -(-(exif_at + _length(exif)) // 16) * 16  # aligned for readers that map the file
    image = _image(mosaic.shape, facts, tile, lengths, exif_at, data_at)
    head = struct.pack("<2sHI", b"II", 42, 8) + _directory(image, 8) + _directory(exif, exif_at)
    with path.open("wb") as file:
        file.write(head.ljust(data_at, b"\0"))
        file.writelines(streams)


def _tile(shape: Sequence[int]) -> tuple[int, int]:
    """(y, x) of each: at most 256 rows, and whole 16 pixels both ways (TIFF 6.0, section 15).

    LibRaw misreads tiles wider than the image, or of exactly half its width (seen with 0.22).
    """
    height, width = shape
    across = 1 if width % 16 == 0 else 2
    return min(256, -(-height // 16) * 16), -(-width // (16 * across)) * 16


def _image(
    shape: Sequence[int],
    facts: DngFacts,
    tile: tuple[int, int],
    lengths: Sequence[int],
    exif_at: int,
    data_at: int,
) -> list[Entry]:
    height, width = shape
    top, left, bottom, right = facts.active or (0, 0, height, width)
    if not (0 <= top < bottom <= height and 0 <= left < right <= width):
        raise ValueError(f"active area {facts.active} does not fit {height} x {width} pixels")
    return [
        _numbers(254, _LONG, 0),  # NewSubfileType: the full-resolution image
        _numbers(256, _LONG, width),
        _numbers(257, _LONG, height),
        _numbers(258, _SHORT, 16),  # BitsPerSample
        _numbers(259, _SHORT, 7),  # Compression: JPEG, lossless
        _numbers(262, _SHORT, 32803),  # PhotometricInterpretation: CFA
        _text(271, facts.make),
        _text(272, facts.model),
        _numbers(274, _SHORT, facts.orientation),
        _numbers(277, _SHORT, 1),  # SamplesPerPixel
        _numbers(284, _SHORT, 1),  # PlanarConfiguration
        _text(305, facts.software),
        _text(306, facts.start.strftime(_DATE)),
        _numbers(322, _LONG, tile[1]),  # TileWidth
        _numbers(323, _LONG, tile[0]),  # TileLength
        _numbers(324, _LONG, *accumulate(lengths[:-1], initial=data_at)),  # TileOffsets
        _numbers(325, _LONG, *lengths),  # TileByteCounts
        _numbers(33421, _SHORT, 2, 2),  # CFARepeatPatternDim
        _numbers(33422, _BYTE, *("RGB".index(c) for c in facts.cfa)),  # CFAPattern
        _numbers(34665, _LONG, exif_at),
        _numbers(50706, _BYTE, 1, 4, 0, 0),  # DNGVersion
        _numbers(50707, _BYTE, 1, 1, 0, 0),  # DNGBackwardVersion
        _text(50708, f"{facts.make} {facts.model}"),  # UniqueCameraModel
        _numbers(50710, _BYTE, 0, 1, 2),  # CFAPlaneColor
        _numbers(50711, _SHORT, 1),  # CFALayout: rectangular
        _numbers(50713, _SHORT, 2, 2),  # BlackLevelRepeatDim
        _fractions(50714, _RATIONAL, *facts.black),
        _numbers(50717, _LONG, facts.white),
        _numbers(50719, _LONG, 0, 0),  # DefaultCropOrigin
        _numbers(50720, _LONG, right - left, bottom - top),  # DefaultCropSize
        _fractions(50721, _SRATIONAL, *facts.colour_matrix),  # ColorMatrix1
        _fractions(50728, _RATIONAL, *facts.neutral),  # AsShotNeutral
        _numbers(50778, _SHORT, 21),  # CalibrationIlluminant1: D65
        _numbers(50829, _LONG, top, left, bottom, right),  # ActiveArea
    ]


def _exif(facts: DngFacts) -> list[Entry]:
    zone = facts.start.strftime("%z")
    entries = [_fractions(33434, _RATIONAL, facts.exposure)]
    if facts.aperture is not None:
        entries.append(_fractions(33437, _RATIONAL, facts.aperture))
    entries += [
        _numbers(34855, _SHORT, facts.iso),  # PhotographicSensitivity
        (36864, _UNDEFINED, b"0231"),  # ExifVersion
        _text(36867, facts.start.strftime(_DATE)),  # DateTimeOriginal
        _text(36881, f"{zone[:3]}:{zone[3:5]}"),  # OffsetTimeOriginal
    ]
    if facts.focal_length is not None:
        entries.append(_fractions(37386, _RATIONAL, facts.focal_length))
    if facts.start.microsecond:
        entries.append(_text(37521, f"{facts.start.microsecond // 1000:03}"))  # SubSecTimeOriginal
    if facts.temperature is not None:
        entries.append(_fractions(37888, _SRATIONAL, facts.temperature))  # AmbientTemperature
    if facts.lens is not None:
        entries.append(_text(42036, facts.lens))  # LensModel
    return entries


def _numbers(tag: int, kind: int, *values: int) -> Entry:
    return tag, kind, struct.pack(f"<{len(values)}{_CODES[kind]}", *values)


def _text(tag: int, value: str) -> Entry:
    return tag, _ASCII, value.encode("ascii") + b"\0"


def _fractions(tag: int, kind: int, *values: float) -> Entry:
    parts: list[int] = []
    for value in values:
        # Written as people would: 1/4000, 28/10; a denominator of 10000 keeps every level exact.
        fraction = Fraction(value).limit_denominator(10000)
        if abs(fraction.numerator) > _MOST[kind] or (kind == _RATIONAL and fraction < 0):
            raise ValueError(f"{value} does not fit tag {tag}")
        parts += [fraction.numerator, fraction.denominator]
    return tag, kind, struct.pack(f"<{len(parts)}{_CODES[kind]}", *parts)


def _length(entries: Sequence[Entry]) -> int:
    """Bytes of a directory with the values that do not fit into its entries."""
    return 6 + 12 * len(entries) + sum(len(v) + len(v) % 2 for _, _, v in entries if len(v) > 4)


def _directory(entries: Sequence[Entry], at: int) -> bytes:
    """An image file directory that begins at offset `at`; its tags must ascend (TIFF 6.0)."""
    table = struct.pack("<H", len(entries))
    values = b""
    after = at + 6 + 12 * len(entries)
    for tag, kind, value in entries:
        field = value if len(value) <= 4 else struct.pack("<I", after + len(values))
        table += struct.pack("<HHI", tag, kind, len(value) // _SIZES[kind]) + field.ljust(4, b"\0")
        if len(value) > 4:
            values += value + b"\0" * (len(value) % 2)
    return table + struct.pack("<I", 0) + values
