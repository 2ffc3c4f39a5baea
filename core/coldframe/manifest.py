"""The run in numbers and names, for programs: coldframe-run.json in the output folder.

Its form is that of manifest.schema.json. Nothing in it names the machine or its user; the paths
of nights and frames are those that were given.
"""

from __future__ import annotations

import json
import os
import platform
import sys
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import yaml

from coldframe.digests import file_digest
from coldframe.frame import FrameInfo
from coldframe.memory import peak_memory, peak_of_children
from coldframe.night import MANIFEST
from coldframe.plugins import Registry
from coldframe.prepared import Prepared
from coldframe.product import atomic
from coldframe.recipe import Recipe
from coldframe.report.record import MasterUse, ProductRecord, RunRecord
from coldframe.store import product_key
from coldframe.timing import Timings

FORMAT = 1
"""Raise when an entry changes its meaning; new entries do not need it."""

SCHEMA = Path(__file__).with_name("manifest.schema.json")


def versions(registry: Registry) -> dict[str, str]:
    """Versions of everything that can change a product."""
    out = {"python": platform.python_version()}
    names = ["numpy", "scipy", "numba", "astropy", "dask", "rawpy", "sep"]
    names += sorted({origin.package for origin in registry.origins.values()})
    for name in names:
        try:
            out[name] = version(name)
        except PackageNotFoundError:
            continue
    return out


def unfinished(state: str, recipe: str) -> dict[str, Any]:
    """What stands in the output folder until the run is done. state : "watching" or "running"."""
    return {"format": FORMAT, "state": state, "recipe": {"name": recipe}}


def manifest(
    prepared: Prepared,
    registry: Registry,
    record: RunRecord,
    timings: Timings,
    report: Path,
    files: Sequence[Mapping[str, Any]],
    started: datetime,
) -> dict[str, Any]:
    """The finished run, JSON-ready. files : see `written_files`."""
    request = prepared.request
    output = request.output.resolve()
    store = request.store.resolve()
    inside = store.is_relative_to(output)
    return {
        "format": FORMAT,
        "state": "done",
        "started": started.isoformat(timespec="seconds"),
        "finished": datetime.now(UTC).isoformat(timespec="seconds"),
        "recipe": {
            "name": record.recipe,
            "about": record.about,
            "why": record.why_recipe,
            "text": recipe_text(prepared.recipe),
            "digest": product_key("recipe", prepared.recipe.document),
            "overrides": list(request.overrides),
            "steps": [dict(step) for step in record.steps],
        },
        "nights": list(record.nights),
        "store": store.relative_to(output).as_posix() if inside else str(store),
        "cameras": list(prepared.cameras),
        "versions": dict(record.versions),
        "plugins": _plugins(registry),
        "host": _host(),
        "scheduler": request.scheduler,
        "workers": request.workers,
        "memory_limit": request.memory,
        "peak_memory": peak_memory(),
        "peak_memory_of_workers": peak_of_children(),
        "seconds": round(record.elapsed, 3),
        "timings": {step: time.to_dict() for step, time in timings.steps.items()},
        "warnings": list(record.warnings),
        "costs": list(record.costs),
        "frames": [
            {
                "id": frame.id,
                "used": frame.used,
                "reason": frame.reason,
                "step": frame.step,
                "size": _size(frame.info.path),
                **_facts(frame.info),
                "measures": dict(frame.measures),
                "masters": [_master(use) for use in frame.masters],
            }
            for frame in record.frames
        ],
        "products": [_product(product) for product in (*record.masters, *record.products)],
        "files": list(files),
        "report": report.name,
    }


def written_files(output: Path, record: RunRecord) -> list[dict[str, Any]]:
    """The files made for people, JSON-ready. Reads them once more for their digests."""
    return [
        _file(output / name, product.id) for product in record.products for name in product.files
    ]


def recipe_text(recipe: Recipe) -> str:
    """The recipe as it was run: what it extends merged in, every parameter written out."""
    return str(yaml.safe_dump(recipe.document, sort_keys=False, allow_unicode=True))


def _plugins(registry: Registry) -> list[dict[str, Any]]:
    """Where every step, reader and writer comes from, and what could not be loaded."""
    plugins: dict[str, dict[str, Any]] = {}
    for adds, origin in registry.origins.items():
        entry = {"package": origin.package, "version": origin.version, "module": origin.module}
        plugins.setdefault(origin.plugin, {"name": origin.plugin, **entry, "adds": []})
        plugins[origin.plugin]["adds"].append(adds)
    broken = [{"name": name, "broken": why} for name, why in registry.broken.items()]
    return [*plugins.values(), *broken]


def _host() -> dict[str, Any]:
    """What of the machine can matter to speed and results; no names."""
    return {
        "system": platform.system(),
        "release": platform.release(),
        "machine": platform.machine(),
        "byte_order": sys.byteorder,
        "cores": os.cpu_count(),
    }


def _master(use: MasterUse) -> dict[str, Any]:
    return {
        "kind": use.kind,
        "product": use.product,
        "distances": dict(use.distances),
        "total": use.total,
        "note": use.note,
    }


def _product(product: ProductRecord) -> dict[str, Any]:
    return {
        "key": product.id,
        "step": product.step,
        "label": product.label,
        "files": list(product.files),
        "frames": list(product.frames),
        "measures": dict(product.measures),
    }


def _file(path: Path, product: str) -> dict[str, Any]:
    return {
        "name": path.name,
        "product": product,
        "size": path.stat().st_size,
        "digest": file_digest(path),
    }


def _size(path: str) -> int | None:
    try:
        return Path(path).stat().st_size
    except OSError:
        return None  # a file that could not be taken as a frame, or is gone since


def _facts(info: FrameInfo) -> dict[str, Any]:
    facts = info.to_dict()
    return {"file": facts.pop("path", ""), **facts}


def write_manifest(output: Path, content: Mapping[str, Any]) -> None:
    """Put the manifest into the output folder, atomically."""
    with atomic(output / MANIFEST) as temporary:
        temporary.write_text(json.dumps(content, indent=1, ensure_ascii=False))
