"""Frames as FITS 4.0 files: the one format for masters, intermediates and finished stacks.

Primary HDU: the data. Image extensions: FLAGS, then each further plane by its name. Binary
tables: FACTS (the frame's facts and measures as JSON, for an exact round trip) and, for products
made for people, PROVENANCE (every product behind it) and INPUTS (which of its rows went into
which, as row numbers from 1: a stack of thousands must not widen every row). Source: FITS Standard 4.0 (IAU FITS Working Group, 2018).
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from coldframe.errors import DamagedError, StoreError
from coldframe.frame import Ancestor, Array, Frame, FrameInfo
from coldframe.step import Numbers

SCARCE = 64 << 20  # bytes; less free than this explains a write that failed without a number


@contextmanager
def atomic(path: Path, *, durable: bool = True) -> Iterator[Path]:
    """A temporary name beside `path`; on success it is flushed to disk and renamed to `path`.

    Raises
    ------
    StoreError
        The folder cannot be written or the disk is full; nothing is left behind.
    """
    temporary: Path | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
        os.close(handle)
        temporary = Path(name)
        yield temporary
        if durable:
            with temporary.open("rb+") as file:
                os.fsync(file.fileno())
        temporary.chmod(0o644)
        temporary.replace(path)
    except OSError as error:
        raise StoreError(f"cannot write {path}: {_why(path, error)}") from error
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)


def _why(path: Path, error: OSError) -> str:
    """The reason in words; numpy and astropy tell of a full disk without an error number."""
    if error.errno is None and shutil.disk_usage(path.parent).free < SCARCE:
        return "No space left on device"
    return error.strerror or str(error)


def write_frame(path: Path, frame: Frame, *, checksum: bool = True, durable: bool = True) -> None:
    """Write a frame as FITS, atomically.

    checksum : write CHECKSUM and DATASUM cards (FITS 4.0, section 4.4.2.7).
    durable : flush to disk before the file gets its name.
    """
    from astropy.io import fits

    primary = fits.PrimaryHDU(frame.data)
    _describe(primary.header, frame)
    hdus: list[Any] = [primary, fits.ImageHDU(frame.flags, name="FLAGS")]
    hdus += [fits.ImageHDU(plane, name=name.upper()) for name, plane in frame.planes.items()]
    facts = {"info": frame.info.to_dict(), "measures": dict(frame.measures)}
    text = json.dumps(facts, sort_keys=True).encode("ascii")
    column = fits.Column("JSON", f"{len(text)}A", array=np.array([text]))
    hdus.append(fits.BinTableHDU.from_columns([column], name="FACTS"))
    if frame.provenance:
        hdus += _provenance_tables(frame)
    with atomic(path, durable=durable) as temporary:
        file = fits.HDUList(hdus)
        file.update_extend()
        if checksum:
            for hdu in file:
                # The comment would hold the time of writing: the same product, the same bytes.
                hdu.add_checksum(when="checksum")
        file.writeto(temporary, overwrite=True, output_verify="exception")


@contextmanager
def _reading(path: Path) -> Iterator[None]:
    """Whatever goes wrong in here, the file is to blame: astropy fails in many ways on a bad one."""
    try:
        yield
    except (MemoryError, DamagedError):
        raise
    except Exception as error:
        raise DamagedError(f"cannot read {path} back as it was written: {error}", path) from error


def read_frame(path: Path) -> Frame:
    """Read back what `write_frame` wrote, exactly.

    Raises DamagedError when the file is not there, damaged, or was not written by Coldframe.
    """
    from astropy.io import fits

    with _reading(path), fits.open(path, memmap=False) as hdus:
        facts = json.loads(bytes(hdus["FACTS"].data["JSON"][0].encode("ascii")))
        data = _native(hdus[0].data)
        flags = _native(hdus["FLAGS"].data)
        planes = {
            hdu.name.lower(): _native(hdu.data)
            for hdu in hdus[2:]
            if isinstance(hdu, fits.ImageHDU)
        }
        history = tuple(str(line) for line in hdus[0].header.get("HISTORY", ()))
    return Frame(
        data=data,
        flags=flags,
        info=FrameInfo.from_dict(facts["info"]),
        planes=planes,
        measures=facts["measures"],
        history=_unfold(history),
    )


def write_numbers(path: Path, numbers: Numbers) -> None:
    """Write named float64 arrays as FITS image extensions, atomically."""
    from astropy.io import fits

    hdus: list[Any] = [fits.PrimaryHDU()]
    for name, values in numbers.items():
        array = np.atleast_1d(np.asarray(values, dtype=np.float64))
        hdu = fits.ImageHDU(array if array.size else None)
        # FITS upper-cases EXTNAME and forbids empty arrays; these cards keep the truth.
        hdu.header["COLNAME"] = name
        hdu.header["COLSHAPE"] = json.dumps(array.shape)
        hdus.append(hdu)
    with atomic(path, durable=False) as temporary:
        fits.HDUList(hdus).writeto(temporary, overwrite=True)


def read_numbers(path: Path) -> dict[str, Array]:
    """Read back what `write_numbers` wrote."""
    from astropy.io import fits

    with _reading(path), fits.open(path, memmap=False) as hdus:
        return {
            hdu.header["COLNAME"]: (
                np.zeros(json.loads(hdu.header["COLSHAPE"]))
                if hdu.data is None
                else _native(hdu.data)
            )
            for hdu in hdus[1:]
        }


class Bands:
    """Reads bands of rows of a stored frame without reading the rest of it."""

    def __init__(self, path: Path) -> None:
        from astropy.io import fits

        self.path = path
        with _reading(path), fits.open(path, memmap=False, lazy_load_hdus=True) as hdus:
            header = hdus[0].header
            self._data_at = hdus[0].fileinfo()["datLoc"]
            self._flags_at = hdus["FLAGS"].fileinfo()["datLoc"]
            self._type = {-32: ">f4", 16: ">i2"}[header["BITPIX"]]
        self._zero = float(header.get("BZERO", 0.0))
        self.width, self.height = header["NAXIS1"], header["NAXIS2"]
        self.channels = header.get("NAXIS3", 1)

    def read(self, y0: int, y1: int, channel: int, data: Array, flags: Array) -> None:
        """Fill `data` float32 (y1 - y0, x) and `flags` uint8 of the same shape."""
        count = (y1 - y0) * self.width
        start = (channel * self.height + y0) * self.width
        size = np.dtype(self._type).itemsize
        with _reading(self.path), self.path.open("rb") as file:
            raw = np.fromfile(file, self._type, count, offset=self._data_at + start * size)
            file.seek(0)
            mask = np.fromfile(file, np.uint8, count, offset=self._flags_at + y0 * self.width)
        if raw.size != count or mask.size != count:
            raise DamagedError(f"{self.path} is shorter than its header says", self.path)
        data[...] = raw.reshape(data.shape)
        if self._zero:
            data += np.float32(self._zero)
        flags[...] = mask.reshape(flags.shape)


def _native(array: Array) -> Array:
    return np.ascontiguousarray(array, dtype=array.dtype.newbyteorder("="))


def _describe(header: Any, frame: Frame) -> None:
    """Header cards in common use for what is known; standard ones first."""
    info, measures = frame.info, frame.measures
    cards: list[tuple[str, Any, str]] = [
        ("BUNIT", "adu", "analogue-to-digital units"),
        ("OBJECT", info.target, "target"),
        ("DATE-OBS", info.start and info.start.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3], "UTC start"),
        ("TIMESYS", info.start and "UTC", "time system"),
        ("INSTRUME", info.camera, "camera"),
        ("TELESCOP", info.optics or info.lens, "optics"),
        ("EXPTIME", info.exposure, "[s] exposure of one frame"),
        ("IMAGETYP", info.kind and info.kind.value, "kind of frame"),
        ("FILTER", info.filter, "filter"),
        ("ISOSPEED", info.iso, "ISO setting"),
        ("GAIN", info.gain_setting, "camera gain setting"),
        ("OFFSET", info.offset, "camera offset setting"),
        ("EGAIN", info.gain, "[electron/adu] conversion gain"),
        ("CCD-TEMP", info.temperature, "[degC] sensor temperature"),
        ("FOCALLEN", info.focal_length, "[mm] focal length"),
        ("APERTURE", info.aperture, "focal ratio"),
        ("XBINNING", info.binning and info.binning[1], "binning along x"),
        ("YBINNING", info.binning and info.binning[0], "binning along y"),
        ("BAYERPAT", info.cfa, "CFA colours of the first 2 x 2 pixels"),
        ("NCOMBINE", measures.get("frames") and int(measures["frames"]), "frames combined"),
    ]
    for name, value, comment in cards:
        if value not in (None, ""):
            header[name] = (_ascii(value) if isinstance(value, str) else value, comment)
    # A plain pixel grid, centred, ready for a plate solution to overwrite.
    height, width = frame.shape
    header["WCSAXES"] = 2
    for axis, size in ((1, width), (2, height)):
        header[f"CTYPE{axis}"] = ("PIXEL", "linear pixel grid: no sky solution yet")
        header[f"CRPIX{axis}"] = ((size + 1) / 2, "centre of the frame")
        header[f"CRVAL{axis}"] = 0.0
        header[f"CDELT{axis}"] = 1.0
    header["CREATOR"] = "Coldframe"
    for line in frame.history:
        text = _ascii(line)
        # Long lines are folded with a mark, so that they can be told apart when read back.
        pieces = [text[i : i + 68] for i in range(0, len(text), 68)] or [""]
        for i, piece in enumerate(pieces):
            header.add_history(("> " if i else "") + piece)


def _unfold(lines: tuple[str, ...]) -> tuple[str, ...]:
    out: list[str] = []
    for line in lines:
        if line.startswith("> ") and out:
            # A card drops trailing blanks; a full piece that ended in one is padded again.
            out[-1] = out[-1] + " " * (-len(out[-1]) % 68) + line[2:]
        else:
            out.append(line)
    return tuple(out)


def _ascii(text: str) -> str:
    """FITS headers hold printable ASCII only (section 4.2.1)."""
    text = text.replace("°", "deg").replace("×", "x").replace("·", "-").replace("µ", "u")
    return "".join(c if " " <= c <= "~" else "?" for c in text)


def _provenance_tables(frame: Frame) -> list[Any]:
    from astropy.io import fits

    known = {ancestor.key: ancestor for ancestor in frame.provenance}
    for key in (key for ancestor in frame.provenance for key in ancestor.inputs):
        known.setdefault(key, Ancestor(key, "", "{}", ()))
    columns = {
        "KEY": list(known),
        "STEP": [_ascii(a.step) for a in known.values()],
        "LABEL": [_ascii(a.label) for a in known.values()],
        "PARAMS": [_ascii(a.params) for a in known.values()],
    }
    made = [
        fits.Column(name, f"{max(1, *map(len, values))}A", array=np.array(values, dtype=bytes))
        for name, values in columns.items()
    ]
    row = {key: number for number, key in enumerate(known, start=1)}
    pairs = [(row[a.key], row[key]) for a in known.values() for key in a.inputs]
    edges = np.array(pairs, np.int32).reshape(-1, 2)
    links = [
        fits.Column(name, "J", array=edges[:, place])
        for place, name in enumerate(("PRODUCT", "INPUT"))
    ]
    return [
        fits.BinTableHDU.from_columns(made, name="PROVENANCE"),
        fits.BinTableHDU.from_columns(links, name="INPUTS"),
    ]


def read_provenance(path: Path) -> tuple[Ancestor, ...]:
    """Everything behind a product, from its own file; the product itself is the first.

    Raises StoreError when the file is not there, damaged, or tells nothing of its past.
    """
    from astropy.io import fits

    try:
        with fits.open(path, memmap=False) as hdus:
            if "PROVENANCE" not in hdus:
                raise StoreError(f"{path} has no PROVENANCE table: it is no product of a run")
            table = hdus["PROVENANCE"].data
            keys = [str(key) for key in table["KEY"]]
            inputs: dict[str, list[str]] = {key: [] for key in keys}
            for product, source in hdus["INPUTS"].data:
                inputs[keys[product - 1]].append(keys[source - 1])
            return tuple(
                Ancestor(
                    key, str(row["STEP"]), str(row["PARAMS"]), tuple(inputs[key]), str(row["LABEL"])
                )
                for key, row in zip(keys, table, strict=True)
            )
    except (OSError, KeyError, ValueError, TypeError, IndexError) as error:
        raise StoreError(f"cannot read how {path} came about: {error}") from error
