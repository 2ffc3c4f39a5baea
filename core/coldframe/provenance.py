"""How a product came about: from its own file, from a run's store, or from both."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from coldframe.digests import file_digest
from coldframe.errors import StoreError, UsageError
from coldframe.frame import Ancestor
from coldframe.night import MANIFEST
from coldframe.product import read_provenance
from coldframe.store import Ref, Store

SIDE = (" survey", " decision")
"""What surveys and decisions end in: numbers about frames, which make no pixels themselves."""

_KEY = re.compile(r"[0-9a-f]{8,40}")
_FITS = (".fits", ".fit", ".fts")


@dataclass(frozen=True, slots=True)
class Lineage:
    """A product and everything behind it.

    nodes : by key; the first is the product. file : the file that was asked about. told_by : where
    the ancestry comes from. run : the manifest of the run, when it lies beside the file. refs :
    what the store still knows of the nodes. unknown : what nothing at hand can tell. history :
    lines that a picture itself carries.
    """

    nodes: Mapping[str, Ancestor]
    told_by: str
    file: Path | None = None
    run: Mapping[str, Any] = field(default_factory=dict)
    refs: Mapping[str, Ref] = field(default_factory=dict)
    unknown: tuple[str, ...] = ()
    history: tuple[str, ...] = ()

    @property
    def product(self) -> str:
        """The product's key."""
        return next(iter(self.nodes))

    @property
    def as_written(self) -> bool | None:
        """Whether the file has the bytes that the run wrote; None when no manifest tells."""
        name = self.file.name if self.file else ""
        written = next((f for f in self.run.get("files", ()) if f["name"] == name), None)
        if written is None or self.file is None:
            return None
        return bool(file_digest(self.file) == written["digest"])

    def within(self, depth: int | None) -> Lineage:
        """Only what is at most so many steps behind the product."""
        if depth is None:
            return self
        keep: dict[str, Ancestor] = {}
        ring = [self.product]
        for _ in range(depth + 1):
            keep |= {key: self.nodes[key] for key in ring if key not in keep}
            ring = [k for key in ring for k in self.nodes[key].inputs if k not in keep]
        return replace(self, nodes=keep)


def is_side(node: Ancestor) -> bool:
    """Whether it is a survey or a decision."""
    return node.step.endswith(SIDE)


def is_source(node: Ancestor) -> bool:
    """Whether it is a frame as the camera wrote it."""
    return node.step.startswith("read ")


def params_of(node: Ancestor) -> dict[str, Any]:
    """The step's parameters, or the facts of a source frame; {} when they cannot be read."""
    try:
        found = json.loads(node.params)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def explain(product: str, store: Path | None = None) -> Lineage:
    """The ancestry of a product.

    product : a FITS, TIFF or PNG file that a run wrote, or the start of a store key.
    store : the run's store; else it is looked for beside the file.

    Raises
    ------
    UsageError
        There is no such product, or the file is none.
    StoreError
        The file is damaged.
    """
    path = Path(product)
    if not path.exists():
        if _KEY.fullmatch(product):
            return _of_key(product, store or Path("store"))
        raise UsageError(f"{product}: no such file, and no store key either")
    folder = path if path.is_dir() else path.parent
    run = _manifest(folder)
    if path.is_dir() or path.name in (MANIFEST, str(run.get("report"))):
        names = ", ".join(entry["name"] for entry in run.get("files", ()))
        raise UsageError(f"{path}: name one of its products" + (f": {names}" if names else ""))
    found = store or (folder / str(run.get("store") or "store"))
    root = Store(found) if found.is_dir() else None
    if path.name.lower().endswith(_FITS):
        nodes = {one.key: one for one in read_provenance(path)}
        return _told(nodes, "the file's own header", path, run, root)
    key, history = _picture(path)
    if root is not None and root.get(key) is not None:
        nodes = {one.key: one for one in root.ancestry(key)}
        return _told(nodes, f"the store {found}", path, run, root)
    for beside in sorted(folder.glob("*.fits")):
        try:
            nodes = {one.key: one for one in read_provenance(beside)}
        except StoreError:
            continue
        if next(iter(nodes), None) == key:
            return _told(nodes, f"{beside.name}, which is the same product", path, run, root)
    alone = _told({key: Ancestor(key, "", "{}", ())}, "the picture itself", path, run, root)
    why = (
        "how it was made: that stands in the run's store (--store) and in the same product as "
        "FITS, and neither is here"
    )
    return replace(alone, unknown=(why, *alone.unknown[1:]), history=history)


def _of_key(start: str, folder: Path) -> Lineage:
    if not folder.is_dir():
        raise UsageError(f"{start} is a store key: name the run's store with --store")
    root = Store(folder)
    found = sorted(path.stem for path in (folder / start[:2]).glob(f"{start}*.json"))
    if len(found) != 1:
        raise UsageError(
            f"the store {folder} has {len(found) or 'no'} products that begin with {start}"
            + ("; give more of the key" if found else "")
        )
    nodes = {one.key: one for one in root.ancestry(found[0])}
    return _told(nodes, f"the store {folder}", None, _manifest(folder.parent), root)


def _told(
    nodes: Mapping[str, Ancestor],
    told_by: str,
    file: Path | None,
    run: Mapping[str, Any],
    store: Store | None,
) -> Lineage:
    refs = {key: ref for key in nodes if store and (ref := store.known(key)) is not None}
    unknown = []
    lost = sum(not node.step for node in nodes.values())
    if lost:
        unknown.append(f"what made {lost} of the products behind it: their records are gone")
    if not refs:
        unknown.append("measured numbers and times: the run's store is not here")
    if not run:
        unknown.append("versions of the packages, and the whole recipe: no manifest is beside it")
    return Lineage(nodes, told_by, file, run, refs, tuple(unknown))


def _manifest(folder: Path) -> dict[str, Any]:
    try:
        found = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _picture(path: Path) -> tuple[str, tuple[str, ...]]:
    """The product's key that a picture carries in its description, and its history if it does."""
    from PIL import Image, UnidentifiedImageError

    try:
        with Image.open(path) as image:
            text = image.info.get("Description") or image.tag_v2.get(270)  # type: ignore[attr-defined]
        told = json.loads(str(text))
        return str(told["product"]), tuple(map(str, told.get("history", ())))
    except (UnidentifiedImageError, AttributeError, ValueError, KeyError, TypeError, OSError):
        raise UsageError(f"{path} does not tell which product it is: no run wrote it so") from None


def sources(lineage: Lineage) -> list[Ancestor]:
    """The frames as the camera wrote them, by name."""
    return sorted(filter(is_source, lineage.nodes.values()), key=lambda node: node.label)


def tree(lineage: Lineage, *, sides: bool = False) -> list[str]:
    """The ancestry as lines of text; a product that comes again is only named.

    sides : show surveys and decisions too.
    """
    variants = _variants(lineage.nodes.values())
    seen: set[str] = set()
    out: list[str] = []

    def children(node: Ancestor) -> Sequence[str]:
        found = [key for key in node.inputs if key in lineage.nodes]
        return [key for key in found if sides or not is_side(lineage.nodes[key])]

    def line(node: Ancestor) -> str:
        if not node.step:
            return f"not known ({node.key[:10]})"
        if is_source(node):
            facts = params_of(node)
            kind = f"{facts['kind']} " if "kind" in facts else ""
            return f"{kind}frame {node.label}  blake2b {str(facts.get('digest', '?'))[:20]}"
        mark = variants.get((node.step, node.params), "")
        return f"{node.step}{mark}  {node.label}  ({node.key[:10]})"

    # Depth first with a stack of its own: a chain of steps may be longer than Python's.
    stack: list[tuple[str, str, str]] = [(lineage.product, "", "")]
    while stack:
        key, lead, below = stack.pop()
        node = lineage.nodes[key]
        again = key in seen and bool(children(node))
        out.append(lead + line(node) + ("  as above" if again else ""))
        if again:
            continue
        seen.add(key)
        keys = children(node)
        for place in range(len(keys) - 1, -1, -1):
            last = place == len(keys) - 1
            stack.append(
                (
                    keys[place],
                    below + ("└─ " if last else "├─ "),
                    below + ("   " if last else "│  "),
                )
            )
    return out


def steps(lineage: Lineage, *, sides: bool = False) -> Iterator[tuple[str, dict[str, Any]]]:
    """Each step that was taken, as the tree names it, with its parameters."""
    shown = [n for n in lineage.nodes.values() if n.step and not is_source(n)]
    shown = [n for n in shown if sides or not is_side(n)]
    variants = _variants(shown)
    for step, params in dict.fromkeys((n.step, n.params) for n in shown):
        node = Ancestor("", step, params, ())
        yield step + variants.get((step, params), ""), params_of(node)


def _variants(nodes: Any) -> dict[tuple[str, str], str]:
    """A letter for each set of parameters of a step that was taken with several."""
    by_step: dict[str, dict[str, None]] = {}
    for node in nodes:
        if node.step and not is_source(node):
            by_step.setdefault(node.step, {})[node.params] = None
    return {
        (step, params): f" [{number}]"
        for step, found in by_step.items()
        if len(found) > 1
        for number, params in enumerate(found, start=1)
    }
