"""Exif metadata of camera files, by the standard's own tags.

Sources: CIPA DC-008 / JEITA CP-3451 (Exif 2.32) for the tags; ISO/IEC 14496-12 for the box
structure of .cr3 files. Where such files keep their Exif blocks ("CMT1" to "CMT3" in the first
`uuid` box of `moov`), and that a .raf file names its embedded JPEG at byte 84, is common practice
with no published standard.
"""

from __future__ import annotations

import io
import logging
import struct
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any, BinaryIO

import exifread

# It logs what it finds odd in maker notes; what matters of that is said by the readers.
logging.getLogger("exifread").setLevel(logging.CRITICAL)

_LONGEST_VALUE = 400
_LARGEST_BLOCK = 16_000_000  # bytes; an Exif block with its maker note is some 100 kB
_CR3_BLOCKS = {b"CMT1": "Image", b"CMT2": "EXIF", b"CMT3": "MakerNote"}


def read_tags(path: Path) -> dict[str, Any]:
    """All tags, by "<directory> <name>", such as "EXIF ExposureTime"; empty when there are none."""
    with path.open("rb") as file:
        head = file.read(128)
        file.seek(0)
        if head[4:12] == b"ftypcrx ":
            return _cr3_tags(file)
        if head.startswith(b"FUJIFILMCCD-RAW"):
            start, length = struct.unpack(">II", head[84:92])
            file.seek(start)
            return _process(io.BytesIO(file.read(min(length, _LARGEST_BLOCK))))
        return _process(file)


def _process(file: BinaryIO) -> dict[str, Any]:
    try:
        tags = exifread.process_file(file, details=True, extract_thumbnail=False)
    except Exception:  # odd maker notes break it in many ways; the plain tags are worth having
        file.seek(0)
        try:
            tags = exifread.process_file(file, details=False, extract_thumbnail=False)
        except Exception:
            return {}
    return {name: tag for name, tag in tags.items() if hasattr(tag, "values")}


def _cr3_tags(file: BinaryIO) -> dict[str, Any]:
    tags: dict[str, Any] = {}
    for kind, block in _boxes(file, 0, file.seek(0, io.SEEK_END)):
        directory = _CR3_BLOCKS.get(kind)
        if directory:
            for name, tag in _process(io.BytesIO(block)).items():
                tags.setdefault(f"{directory} {name.partition(' ')[2]}", tag)
    return tags


def _boxes(file: BinaryIO, start: int, end: int) -> Iterator[tuple[bytes, bytes]]:
    """The leaf boxes inside moov/uuid (ISO/IEC 14496-12, 4.2), as (type, content)."""
    while start + 8 <= end:
        file.seek(start)
        length, kind = struct.unpack(">I4s", file.read(8))
        content = start + 8
        if length == 1:
            length, content = struct.unpack(">Q", file.read(8))[0], start + 16
        stop = start + length if length else end
        if stop <= start or stop > end:
            return
        if kind == b"moov":
            yield from _boxes(file, content, stop)
        elif kind == b"uuid":
            yield from _boxes(file, content + 16, stop)
        elif kind in _CR3_BLOCKS and stop - content <= _LARGEST_BLOCK:
            file.seek(content)
            yield kind, file.read(stop - content)
        start = stop


def header(tags: Mapping[str, Any]) -> dict[str, Any]:
    """The tags as text, for metadata fixers and people; long binary values are left out."""
    out: dict[str, Any] = {}
    for name, tag in tags.items():
        text = str(tag)
        if len(text) <= _LONGEST_VALUE:
            out[name] = text
    return out


def number(tags: Mapping[str, Any], *names: str) -> float | None:
    """The first of these tags that holds a finite number (a ratio of 0/0 is none)."""
    for name in names:
        values = getattr(tags.get(name), "values", None)
        if isinstance(values, list | tuple) and values:
            value = values[0]
            try:
                return float(value)
            except (TypeError, ValueError, ZeroDivisionError):
                continue
    return None


def text(tags: Mapping[str, Any], *names: str) -> str | None:
    """The first of these tags that holds some text."""
    for name in names:
        if name in tags:
            value = " ".join(str(tags[name].values).replace("\0", " ").split())
            if value.strip(" -"):
                return value
    return None


def start_time(tags: Mapping[str, Any]) -> tuple[datetime | None, bool]:
    """(start of exposure, whether the file says how far its clock is from UTC).

    Without a stored offset the camera's clock is taken as it is, as if it were UTC.
    """
    stamp = text(tags, "EXIF DateTimeOriginal", "EXIF DateTimeDigitized", "Image DateTimeOriginal")
    if stamp is None:
        return None, False
    try:
        start = datetime.strptime(stamp[:19].replace("-", ":"), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None, False
    fraction = (text(tags, "EXIF SubSecTimeOriginal") or "").strip()
    if fraction.isdecimal():
        start += timedelta(seconds=float(f"0.{fraction}"))
    offset = text(tags, "EXIF OffsetTimeOriginal", "EXIF OffsetTime")
    try:
        zone = datetime.strptime(offset or "", "%z").tzinfo or timezone(timedelta())
    except ValueError:
        return start.replace(tzinfo=UTC), False
    return start.replace(tzinfo=zone).astimezone(UTC), True


def camera(tags: Mapping[str, Any]) -> str | None:
    """Make and model, the make not said twice."""
    make = text(tags, "Image Make") or ""
    model = text(tags, "Image Model", "EXIF UniqueCameraModel", "Image UniqueCameraModel") or ""
    if make and model.lower().startswith(make.split()[0].lower()):
        make = ""
    return f"{make} {model}".strip() or None


def iso(tags: Mapping[str, Any]) -> int | None:
    """The sensitivity. 65535 in the two-byte tag means "see the long ones" (Exif 2.3, 4.6.5)."""
    value = number(
        tags, "EXIF ISOSpeedRatings", "EXIF PhotographicSensitivity", "Image ISOSpeedRatings"
    )
    if value is None or not 0 < value < 65535:
        value = number(
            tags, "EXIF ISOSpeed", "EXIF RecommendedExposureIndex", "EXIF StandardOutputSensitivity"
        )
    return round(value) if value else None
