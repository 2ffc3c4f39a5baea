"""Turns whatever may go wrong in a source file into one clear line, and bounds memory."""

from __future__ import annotations

import errno
import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from coldframe.errors import SetAside
from coldframe.frame import Array, Flag

MOST_PIXELS = 2**29
"""Half a gigapixel a plane: beyond every camera, below what would exhaust a computer's memory."""

# RFC 1951: a deflate stream cannot expand by more than about 1032 times; the other codecs in use
# expand less. A header that declares more than this times the file's size is damaged.
MOST_EXPANSION = 1100


@contextmanager
def refusing(path: str | Path, doing: str) -> Iterator[None]:
    """Raise SetAside, with one line that names the file, for anything that goes wrong inside.

    doing : what was tried, such as "read its header".
    """
    name = Path(path).name
    try:
        yield
    except SetAside:
        raise
    except FileNotFoundError:
        raise SetAside(f"{name}: is no longer there; was it moved or unplugged?") from None
    except PermissionError:
        raise SetAside(f"{name}: may not be read; check the file's permissions") from None
    except MemoryError:
        raise SetAside(f"{name}: there was not enough memory to {doing}") from None
    except Exception as error:  # a damaged file may break a decoder in any way
        if isinstance(error, OSError) and error.errno in (errno.EIO, errno.ENXIO, errno.ENODEV):
            what = f"the disk failed ({error.strerror}); copy the file to another disk"
        else:
            words = _words(error)
            what = f"it seems damaged: could not {doing} ({words[:160]}); copy it again if you can"
        raise SetAside(f"{name}: {what}") from None


def _words(error: Exception) -> str:
    first = error.args[0] if error.args else ""
    text = first.decode("ascii", "replace") if isinstance(first, bytes) else str(error)
    return " ".join(text.split()).rstrip(".") or type(error).__name__


def check_file(path: Path) -> int:
    """The file's size in bytes. Raises SetAside when there is nothing in it to read."""
    with refusing(path, "look at it"):
        if path.is_dir():
            raise SetAside(f"{path.name}: is a folder, not a file")
        size = path.stat().st_size
        if size == 0:
            raise SetAside(f"{path.name}: is empty (0 bytes); copy it again from the camera")
        return size


def check_pixels(name: str, height: int, width: int, bytes_each: int, file_bytes: int) -> None:
    """Refuse a declared size that the file cannot hold or that memory should not.

    file_bytes : the compressed size of the whole file.
    """
    if height < 1 or width < 1:
        raise SetAside(
            f"{name}: declares an image of {width}×{height} pixels; there is nothing to load"
        )
    if height * width > MOST_PIXELS:
        raise SetAside(
            f"{name}: declares {width}×{height} pixels, more than the {MOST_PIXELS // 2**20} million "
            "that can be read; the header is damaged or this is not a camera's frame"
        )
    if height * width * bytes_each > file_bytes * MOST_EXPANSION:
        raise SetAside(
            f"{name}: declares {width}×{height} pixels but holds only {file_bytes} bytes; "
            "it is truncated or damaged: copy it again from the camera"
        )


def flagged(data: Array, white: float | None, bottom: bool) -> Array:
    """Flags of one plane, or of all colours of a (3, y, x) array at once; uint8 (y, x).

    white : at or above this a value is saturated. bottom : whether 0 is the converter's bottom.
    """
    flags = np.zeros(data.shape[-2:], np.uint8)
    if white is not None and data.dtype.kind in "iu":
        # Whole numbers compared with a whole number of their own kind take no conversion.
        white = math.ceil(white) if white <= np.iinfo(data.dtype).max else None
    for plane in data if data.ndim == 3 else data[np.newaxis]:
        # Nearly always nothing is: the extremes (but NaN) tell in a fraction of the time.
        if white is not None and np.fmax.reduce(plane, axis=None, initial=0) >= white:
            flags |= (plane >= white).view(np.uint8) * np.uint8(Flag.SATURATED)
        if bottom and np.fmin.reduce(plane, axis=None, initial=1) <= 0:
            flags |= (plane <= 0).view(np.uint8) * np.uint8(Flag.CLIPPED)
    return flags
