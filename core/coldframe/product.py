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
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from coldframe.errors import DamagedError, StoreError
from coldframe.fitsfile import Hdu, image_header, index, table_header, text_value, write_hdus
from coldframe.frame import Ancestor, Array, Frame, FrameInfo
from coldframe.planes import Blank, Filed, Held, Plane, Planes, plane_of
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


def write_frame(path: Path, frame: Frame, *, checksum: bool = True, durable: bool = True) -> int:
    """Write a frame as FITS, atomically. Planes that are still in files pass through in pieces.

    Returns the file's sum, see `checksum.file_sum`.

    checksum : write CHECKSUM and DATASUM cards (FITS 4.0, section 4.4.2.7), and FLAGS also where
        no pixel has any: for files that are for people.
    durable : flush to disk before the file gets its name.
    """
    images: dict[str, Plane] = {"": Held(frame.data)}
    if checksum or frame.flags.any():
        images["FLAGS"] = Held(frame.flags)
    images |= {name.upper(): plane_of(frame.planes, name) for name in frame.planes}
    hdus = []
    for name, plane in images.items():
        header = image_header(plane.shape, plane.dtype, name or None)
        if not name:
            _describe(header, frame)
        hdus.append(Hdu(header, plane))
    facts = {"info": frame.info.to_dict(), "measures": dict(frame.measures)}
    text = json.dumps(facts, sort_keys=True).encode("ascii")
    hdus.append(_table("FACTS", {"JSON": [text]}))
    if frame.provenance:
        hdus += _provenance_tables(frame)
    with atomic(path, durable=durable) as temporary, temporary.open("wb") as file:
        return write_hdus(file, hdus, checksum=checksum)


def read_frame(path: Path) -> Frame:
    """Read back what `write_frame` wrote, exactly; planes are read when they are asked for.

    Raises DamagedError when the file is not there, damaged, or was not written by Coldframe.
    """
    with _reading(path):
        hdus = index(path)
        planes = {hdu.name.lower(): hdu.plane for hdu in hdus[1:] if hdu.plane is not None}
        at = next(hdu for hdu in hdus if hdu.name == "FACTS")
        with path.open("rb") as file:
            file.seek(at.at)
            facts = json.loads(file.read(at.size))
        pixels = hdus[0].plane
        assert pixels is not None
        flags = planes.pop("flags", None) or Blank(pixels.shape[-2:])
        return Frame(
            data=pixels.whole(),
            flags=flags.whole(),
            info=FrameInfo.from_dict(facts["info"]),
            planes=Planes(planes),
            measures=facts["measures"],
            history=_unfold(hdus[0].history),
        )


def open_planes(path: Path) -> dict[str, Filed | Blank]:
    """Where "data", "flags" and the other planes of a written frame are. Raises DamagedError."""
    with _reading(path):
        found = {hdu.name.lower() or "data": hdu.plane for hdu in index(path)}
        filed = {name: plane for name, plane in found.items() if plane is not None}
        if "data" not in filed:
            raise ValueError("it has no pixels")
        pixels = filed.pop("data")
        # In the order that every frame has them.
        return {"data": pixels, "flags": Blank(pixels.shape[-2:]), **filed}


@contextmanager
def _reading(path: Path) -> Iterator[None]:
    """Whatever goes wrong in here, the file is to blame."""
    try:
        yield
    except (MemoryError, DamagedError):
        raise
    except Exception as error:
        raise DamagedError(f"cannot read {path} back as it was written: {error}", path) from error


def write_numbers(path: Path, numbers: Numbers) -> None:
    """Write named float64 arrays as FITS image extensions, atomically."""
    hdus = [Hdu(image_header((), np.dtype("u1"), None))]
    for name, values in numbers.items():
        array = np.atleast_1d(np.asarray(values, dtype=np.float64))
        header = image_header(array.shape if array.size else (), array.dtype, "")
        # FITS upper-cases EXTNAME and forbids empty arrays; these cards keep the truth.
        header["COLNAME"] = name
        header["COLSHAPE"] = json.dumps(array.shape)
        hdus.append(Hdu(header, array.astype(">f8").tobytes()))
    with atomic(path, durable=False) as temporary, temporary.open("wb") as file:
        write_hdus(file, hdus, checksum=False)


def read_numbers(path: Path) -> dict[str, Array]:
    """Read back what `write_numbers` wrote."""
    with _reading(path):
        return {
            text_value(hdu.cards["COLNAME"]): (
                np.zeros(json.loads(text_value(hdu.cards["COLSHAPE"])))
                if hdu.plane is None
                else hdu.plane.whole()
            )
            for hdu in index(path)[1:]
        }


class Bands:
    """Reads bands of rows of a stored frame without reading the rest of it."""

    def __init__(self, path: Path) -> None:
        planes = open_planes(path)
        self.path = path
        self._data, self._flags = planes["data"], planes["flags"]
        self.height, self.width = self._data.shape[-2:]
        self.channels = self._data.shape[0] if len(self._data.shape) == 3 else 1

    def read(self, y0: int, y1: int, channel: int, data: Array, flags: Array) -> None:
        """Fill `data` float32 (y1 - y0, x) and `flags` uint8 of the same shape."""
        with _reading(self.path):
            self._data.fill(channel, y0, y1, data)
            self._flags.fill(0, y0, y1, flags)


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


def _unfold(lines: Sequence[str]) -> tuple[str, ...]:
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


def _provenance_tables(frame: Frame) -> list[Hdu]:
    known = {ancestor.key: ancestor for ancestor in frame.provenance}
    for key in (key for ancestor in frame.provenance for key in ancestor.inputs):
        known.setdefault(key, Ancestor(key, "", "{}", ()))
    columns = {
        "KEY": list(known),
        "STEP": [_ascii(a.step) for a in known.values()],
        "LABEL": [_ascii(a.label) for a in known.values()],
        "PARAMS": [_ascii(a.params) for a in known.values()],
    }
    texts = {name: [v.encode("ascii") for v in values] for name, values in columns.items()}
    row = {key: number for number, key in enumerate(known, start=1)}
    pairs = [(row[a.key], row[key]) for a in known.values() for key in a.inputs]
    edges = np.array(pairs, np.int32).reshape(-1, 2)
    links = {"PRODUCT": edges[:, 0], "INPUT": edges[:, 1]}
    return [_table("PROVENANCE", texts), _table("INPUTS", links)]


def _table(name: str, columns: Mapping[str, Sequence[bytes] | Array]) -> Hdu:
    """A binary table (FITS 4.0, section 7.3) of texts, as wide as the longest, or whole numbers."""
    kinds = {
        column: ">i4" if isinstance(values, np.ndarray) else f"S{max(1, *map(len, values))}"
        for column, values in columns.items()
    }
    rows = np.zeros(len(next(iter(columns.values()))), list(kinds.items()))
    for column, values in columns.items():
        rows[column] = values
    forms = {column: "J" if kind == ">i4" else f"{kind[1:]}A" for column, kind in kinds.items()}
    return Hdu(table_header(name, forms, rows.dtype.itemsize, len(rows)), rows.tobytes())


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
