"""Whether all parts of a DNG file's pixels are there, without decoding them.

Sources: TIFF Revision 6.0 (strips and tiles); Adobe, Digital Negative (DNG) Specification 1.4.0.0;
ITU-T T.81, annex B (markers). LibRaw leaves zeros, and says nothing, from the first JPEG stream on
that does not begin as one, and decodes what was lost in one as if it were codes (seen with 0.22).
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import tifffile

from coldframe.errors import SetAside

CFA = 32803
"""PhotometricInterpretation of a mosaic."""

# It logs what it finds odd in a file; what matters of that is said by the readers.
logging.getLogger("tifffile").setLevel(logging.CRITICAL)

_JPEG = 7
_START, _END = b"\xff\xd8", b"\xff\xd9"
_PADDING = 4096  # bytes: some writers fill a stream up to the next block of the card


def check_parts(path: Path) -> None:
    """Raise SetAside for a DNG file that ends before its pixels do, or lost parts of them."""
    with path.open("rb") as file:
        for jpeg, parts in _parts(path):
            have, need = path.stat().st_size, max((end for _, end in parts), default=0)
            if need > have:
                raise SetAside(
                    f"{path.name}: is truncated, {have} of {need} bytes are there; "
                    "copy it again from the camera"
                )
            for number, (start, end) in enumerate(parts if jpeg else (), start=1):
                file.seek(start)
                begun = file.read(2) == _START
                file.seek(max(start, end - _PADDING))
                if not begun or _END not in file.read(end - file.tell()):
                    raise SetAside(
                        f"{path.name}: is damaged, part {number} of {len(parts)} of its pixels "
                        "is not whole; copy it again from the camera"
                    )


def pages(file: tifffile.TiffFile) -> Iterator[Any]:
    """The file's directories, with those inside the first one."""
    first = file.pages[0]
    yield first
    yield from first.pages or ()


def _parts(path: Path) -> list[tuple[bool, list[tuple[int, int]]]]:
    """Of each image: whether it is a mosaic in JPEG streams, and (start, end) of its strips or
    tiles in bytes."""
    found = []
    try:
        with tifffile.TiffFile(path) as file:
            for page in pages(file):
                jpeg = int(page.compression) == _JPEG and int(page.photometric) == CFA
                starts, lengths = page.dataoffsets, page.databytecounts
                found.append((jpeg, [(a, a + b) for a, b in zip(starts, lengths, strict=False)]))
    except Exception:  # odd tags break it in many ways; LibRaw says what it thinks of the file
        return found
    return found
