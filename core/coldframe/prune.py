"""How large a store is, what in it is still used, and taking out what need not stay.

Whatever goes can be made again from the source frames, in the same bytes.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from coldframe.errors import StoreError, UsageError
from coldframe.recovery import running
from coldframe.store import BAND, Store
from coldframe.usage import Use, uses

DAY = 86400.0
ABANDONED = DAY  # s after which a file half written is nobody's any more

RULES = {
    "used": "all that the last run into each output folder uses",
    "masters": "of that, masters, stacks and results; single frames go",
    "results": "of that, results only; masters and stacks in between go as well",
}
"""What may stay in a store, by the rule's name."""


@dataclass(frozen=True, slots=True)
class Product:
    """A product as it lies in the store.

    what : "frame" for one in between, "stack" for masters, stacks and all made of them, "numbers"
    for surveys and decisions, "band" for a part of a stack that was never finished. held : bytes
    of its pixels, 0 where they were dropped or are shared with a library. size : all its bytes.
    made : s since 1970.
    """

    key: str
    what: str
    held: int
    size: int
    made: float
    used: bool
    result: bool


@dataclass(frozen=True, slots=True)
class Holding:
    """All that is in a store. halves : files half written that nobody is writing any more."""

    root: Path
    products: Sequence[Product]
    halves: Sequence[Path]
    runs: Sequence[Use]

    @property
    def size(self) -> int:
        """Bytes of all products and of files half written."""
        return sum(p.size for p in self.products) + sum(map(_size, self.halves))


def find_store(folder: Path) -> Path:
    """The store in a folder: the folder itself, or the one that a run made in its output folder.

    Raises UsageError when there is none.
    """
    for root in (folder, folder / "store"):
        if any(root.glob("[0-9a-f][0-9a-f]/*.json")):
            return root
    raise UsageError(f"there is no store in {folder}; name a run's store or its output folder")


def holding(root: Path) -> Holding:
    """Look through a store."""
    runs = list(uses(root))
    alive = [run for run in runs if run.current]
    keys = frozenset().union(*(run.keys for run in alive)) if runs else None
    results = frozenset().union(*(run.results for run in alive))
    old = time.time() - ABANDONED
    halves = [p for p in root.glob("*/.*.part") if _made(p) < old or not running(root)]
    return Holding(root, list(_products(root, keys, results)), halves, runs)


def _products(
    root: Path, keys: frozenset[str] | None, results: frozenset[str]
) -> Iterator[Product]:
    store = Store(root)
    for key in store.listed():
        sidecar, file = store.file(key).with_suffix(".json"), store.file(key)
        try:
            values = json.loads(sidecar.read_text())
            small, made = sidecar.stat().st_size, sidecar.stat().st_mtime
        except (OSError, ValueError):
            continue  # it went just now, or is no product
        held = 0
        with suppress(OSError):
            told = file.stat()
            held = told.st_size if told.st_nlink == 1 else 0
        # Where no run noted its use, nothing is known to be of no use.
        used = keys is None or key in keys
        yield Product(key, _what(key, values), held, held + small, made, used, key in results)


def _what(key: str, values: dict[str, object]) -> str:
    if key.endswith(BAND):
        return "band"
    if values.get("rows") or not values.get("history"):
        return "numbers"
    measures = values.get("measures")
    return "stack" if isinstance(measures, dict) and "frames" in measures else "frame"


@dataclass(frozen=True, slots=True)
class Wish:
    """What is to go. keep : see `RULES`. older : days since it was made, at least.
    down_to : bytes that may stay; None takes out all that the rule lets go."""

    keep: str = "used"
    older: float = 0.0
    down_to: int | None = None


@dataclass(frozen=True, slots=True)
class Cut:
    """What goes. whole : products with all that is known of them. pixels : those that lose their
    pixels only. freed, left : bytes."""

    whole: Sequence[Product] = field(default_factory=tuple)
    pixels: Sequence[Product] = field(default_factory=tuple)
    halves: Sequence[Path] = field(default_factory=tuple)
    freed: int = 0
    left: int = 0


def choose(store: Holding, wish: Wish, now: float | None = None) -> Cut:
    """What goes by a wish: first what nobody uses, then the rest, the oldest first.

    Raises UsageError for the rule "results" where no run noted what its results are.
    """
    if wish.keep == "results" and not store.runs:
        raise UsageError(
            f"no run has noted in {store.root} which of its products are results; --keep masters "
            "is the most that can be asked"
        )
    limit = (time.time() if now is None else now) - wish.older * DAY
    old = sorted((p for p in store.products if p.made <= limit), key=lambda p: (p.made, p.key))
    waste = [p for p in old if p.what == "band" or not p.used]
    rest = [p for p in old if p.what != "band" and p.used and p.held and _goes(p, wish.keep)]
    left = store.size - sum(map(_size, store.halves))
    whole: list[Product] = []
    pixels: list[Product] = []
    for product in (*waste, *sorted(rest, key=lambda p: p.what != "frame")):
        if wish.down_to is not None and left <= wish.down_to:
            break
        wasted = product.what == "band" or not product.used
        (whole if wasted else pixels).append(product)
        left -= product.size if wasted else product.held
    return Cut(whole, pixels, store.halves, store.size - left, left)


def _goes(product: Product, keep: str) -> bool:
    if product.result or product.what == "numbers":
        return False
    return keep == "results" or (keep == "masters" and product.what == "frame")


def prune(store: Holding, cut: Cut) -> None:
    """Take it out.

    Raises StoreError while a run uses the store, or when the folder cannot be written.
    """
    if running(store.root):
        raise StoreError(f"a run is using {store.root}; prune it when that has ended")
    own = Store(store.root)
    try:
        for path in cut.halves:
            path.unlink(missing_ok=True)
        for product in cut.whole:
            own.delete(product.key)
        for product in cut.pixels:
            own.drop(product.key)
    except OSError as error:
        raise StoreError(f"cannot remove from {store.root}: {error.strerror}") from error


def totals(products: Iterable[Product]) -> dict[str, dict[str, int]]:
    """Numbers and bytes by what the products are."""
    out: dict[str, dict[str, int]] = {}
    for product in products:
        row = out.setdefault(product.what, {"products": 0, "bytes": 0, "used": 0, "unused": 0})
        row["products"] += 1
        row["bytes"] += product.size
        row["used" if product.used and product.what != "band" else "unused"] += product.size
    return out


def _size(path: Path) -> int:
    with suppress(OSError):
        return path.stat().st_size
    return 0


def _made(path: Path) -> float:
    with suppress(OSError):
        return path.stat().st_mtime
    return 0.0
