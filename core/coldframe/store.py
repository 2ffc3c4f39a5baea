"""The content-addressed store: every product under a key made from all that went into it.

A product is a FITS file `KEY.fits` and a small `KEY.json` written last; a product exists when
both are there and the FITS file has the size the JSON tells. So a write cut short is seen as
no product at all. A frame that was set aside has a JSON only, with its reason.
"""

from __future__ import annotations

import hashlib
import json
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from coldframe.checksum import file_sum
from coldframe.errors import StoreError
from coldframe.facts import describe
from coldframe.frame import Ancestor, Array, Frame, FrameInfo
from coldframe.planes import Blank, Filed
from coldframe.product import (
    Bands,
    atomic,
    open_planes,
    read_frame,
    read_numbers,
    write_frame,
    write_numbers,
)
from coldframe.step import Numbers

FORMAT = "1"  # raise when stored files change meaning: old products are then made anew

BAND = "-band"  # ends the keys of bands, which go when their stack is made


def product_key(*parts: Any) -> str:
    """Hex blake2b of the parts' canonical JSON: same inputs, same key, on every machine."""
    text = json.dumps([FORMAT, *parts], sort_keys=True, separators=(",", ":"), default=str)
    return hashlib.blake2b(text.encode(), digest_size=20).hexdigest()


def named(info: FrameInfo) -> str:
    """What people call a product: its source frame's name, or the facts of a stack."""
    if info.path:
        return info.label
    return describe(info) if info != FrameInfo() else ""


@dataclass(frozen=True, slots=True)
class Ref:
    """What is known of a stored product without opening its pixels."""

    key: str
    step: str = ""  # name and version of the step that made it
    params: str = "{}"
    inputs: tuple[str, ...] = ()
    info: FrameInfo = field(default_factory=FrameInfo)
    measures: Mapping[str, float] = field(default_factory=dict)
    planes: tuple[str, ...] = ()
    history: tuple[str, ...] = ()
    rows: tuple[str, ...] = ()  # for a decision: the frames it covers, in order
    columns: Mapping[str, tuple[float, ...]] = field(default_factory=dict)  # per row
    aside: str = ""  # the reason when this frame was left out
    aside_step: str = ""
    seconds: float = 0.0
    said: tuple[str, ...] = ()  # the step's warnings while it was made
    past: tuple[Ancestor, ...] = ()  # itself and what is behind it that this store may not hold

    def to_json(self, size: int | None, total: int | None) -> str:
        """The sidecar's text; the FITS file's length in bytes and its sum, if there is one."""
        values: dict[str, Any] = {
            "key": self.key,
            "step": self.step,
            "params": self.params,
            "inputs": list(self.inputs),
            "info": self.info.to_dict(),
            "measures": dict(self.measures),
            "planes": list(self.planes),
            "history": list(self.history),
            "rows": list(self.rows),
            "columns": {name: list(column) for name, column in self.columns.items()},
            "aside": self.aside,
            "aside_step": self.aside_step,
            "seconds": self.seconds,
            "size": size,
            "sum": total,
            "said": list(self.said),
            "past": [asdict(ancestor) for ancestor in self.past],
        }
        return json.dumps(values, sort_keys=True)

    @classmethod
    def from_json(cls, values: Mapping[str, Any]) -> Ref:
        """The inverse of `to_json`."""
        beside = ("size", "sum", "dropped", "crc")  # the last by earlier versions
        known = {k: v for k, v in values.items() if k not in beside}
        known["info"] = FrameInfo.from_dict(known["info"])
        for name in ("inputs", "planes", "history", "rows", "said"):
            known[name] = tuple(known.get(name, ()))
        known["columns"] = {name: tuple(column) for name, column in known["columns"].items()}
        known["past"] = tuple(
            Ancestor(**{**one, "inputs": tuple(one["inputs"])}) for one in known.get("past", ())
        )
        return cls(**known)


class StoredNumbers(Mapping[str, Array]):
    """A survey's numbers that stay in the store until one of them is asked for."""

    def __init__(self, store: Store, key: str) -> None:
        self._store, self._key = store, key

    def __getitem__(self, name: str) -> Array:
        return self._store.numbers(self._key)[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._store.numbers(self._key))

    def __len__(self) -> int:
        return len(self._store.numbers(self._key))


class Store:
    """A folder of products that every worker sees. Holds no state but its path."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def file(self, key: str) -> Path:
        """Where the product's FITS file is or will be."""
        return self.root / key[:2] / f"{key}.fits"

    def get(self, key: str) -> Ref | None:
        """What is stored under `key`, or None when it is not there whole."""
        return self._told(key, whole=True)

    def known(self, key: str) -> Ref | None:
        """What is known of a product: that stays true when its pixels are gone."""
        return self._told(key, whole=False)

    def _told(self, key: str, *, whole: bool) -> Ref | None:
        try:
            values = json.loads(self.file(key).with_suffix(".json").read_text())
            size = values["size"]
            gone = values.get("dropped", False)
            if whole and size is not None and (gone or self.file(key).stat().st_size != size):
                return None
            return Ref.from_json(values)
        except (OSError, ValueError, KeyError, TypeError):
            return None  # absent or cut short: the work is simply done again

    def put(self, ref: Ref, *, total: int | None = None, durable: bool = False) -> Ref:
        """Record `ref`, after its FITS file if it has one, of which `total` is the sum if known."""
        file = self.file(ref.key)
        size = None
        if file.exists() and not ref.aside:
            size, total = file.stat().st_size, file_sum(file) if total is None else total
        with atomic(file.with_suffix(".json"), durable=durable) as temporary:
            temporary.write_text(ref.to_json(size, total))
        return ref

    def put_frame(self, ref: Ref, frame: Frame, *, durable: bool = False) -> Ref:
        """Store a frame. `durable` products are flushed to disk and carry checksums."""
        total = write_frame(self.file(ref.key), frame, checksum=durable, durable=durable)
        return self.put(ref, total=total, durable=durable)

    def put_numbers(self, ref: Ref, numbers: Numbers) -> Ref:
        """Store a survey or a decision."""
        write_numbers(self.file(ref.key), numbers)
        return self.put(ref)

    def frame(self, key: str) -> Frame:
        """The stored frame. Raises DamagedError when it is gone or damaged."""
        return read_frame(self.file(key))

    def numbers(self, key: str) -> dict[str, Any]:
        """The stored numbers. Raises DamagedError when they are gone or damaged."""
        return read_numbers(self.file(key))

    def planes(self, key: str) -> dict[str, Filed | Blank]:
        """ "data", "flags" and the other planes of a stored frame, left in their file."""
        return open_planes(self.file(key))

    def bands(self, key: str) -> Bands:
        """A reader of row bands of a stored frame."""
        return Bands(self.file(key))

    def listed(self, pattern: str = "*") -> Iterator[str]:
        """Keys of all products, whole or not, that fit a pattern of file names."""
        return (path.stem for path in self.root.glob(f"[0-9a-f][0-9a-f]/{pattern}.json"))

    def drop(self, key: str) -> int:
        """Remove a product's pixels and keep what is known of it; bytes freed.

        Raises StoreError when the folder cannot be written.
        """
        file = self.file(key)
        try:
            values = json.loads(file.with_suffix(".json").read_text())
            size = file.stat().st_size
        except (OSError, ValueError):
            return 0
        if not values.get("dropped"):
            # The mark first: a product that was dropped by half is no product.
            with atomic(file.with_suffix(".json"), durable=False) as temporary:
                temporary.write_text(json.dumps({**values, "dropped": True}, sort_keys=True))
        file.unlink(missing_ok=True)
        return size

    def delete(self, key: str) -> None:
        """Remove a product; the sidecar goes first, so that half a removal is no product."""
        self.file(key).with_suffix(".json").unlink(missing_ok=True)
        self.file(key).unlink(missing_ok=True)

    def ancestry(self, key: str) -> tuple[Ancestor, ...]:
        """Everything behind a product, nearest first, each once; what is not known has no step."""
        out: dict[str, Ancestor] = {}
        told: dict[str, Ancestor] = {}  # by products nearer, which the store itself may not hold
        queue = deque([key])
        while queue:
            current = queue.popleft()
            if current in out:
                continue
            ref = None if current in told else self.known(current)
            if ref is not None:
                told |= {one.key: one for one in ref.past}
                own = Ancestor(current, ref.step, ref.params, ref.inputs, named(ref.info))
                told.setdefault(current, own)
            out[current] = told.get(current, Ancestor(current, "", "{}", ()))
            queue += out[current].inputs
        return tuple(out.values())

    def check_writable(self) -> None:
        """Raise StoreError early when nothing can be written here."""
        with atomic(self.root / ".writable") as temporary:
            temporary.write_text("")
        try:
            # Two processes may look at once, and one take away what both had written.
            (self.root / ".writable").unlink(missing_ok=True)
        except OSError as error:
            raise StoreError(f"cannot write in {self.root}: {error.strerror}") from error
