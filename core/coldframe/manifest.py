"""The run in numbers and names, for programs: coldframe-run.json in the output folder."""

from __future__ import annotations

import json
import platform
from collections.abc import Mapping
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from coldframe.frame import FrameInfo
from coldframe.night import MANIFEST
from coldframe.plugins import Registry
from coldframe.prepared import Prepared
from coldframe.product import atomic
from coldframe.report.record import RunRecord


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


def manifest(prepared: Prepared, record: RunRecord, report: Path) -> dict[str, Any]:
    """The run in numbers and names, for programs."""
    return {
        "state": "done",
        "recipe": {
            "name": record.recipe,
            "about": record.about,
            "why": record.why_recipe,
            "steps": [dict(step) for step in record.steps],
        },
        "nights": list(record.nights),
        "cameras": list(prepared.cameras),
        "versions": dict(record.versions),
        "scheduler": prepared.request.scheduler,
        "workers": prepared.request.workers,
        "memory_limit": prepared.request.memory,
        "seconds": round(record.elapsed, 3),
        "seconds_by_step": {name: round(s, 3) for name, s in record.timings.items()},
        "warnings": list(record.warnings),
        "frames": [
            {
                "id": frame.id,
                "used": frame.used,
                "reason": frame.reason,
                "step": frame.step,
                **_facts(frame.info),
                "measures": dict(frame.measures),
                "masters": [
                    {
                        "kind": m.kind,
                        "product": m.product,
                        "distances": dict(m.distances),
                        "total": m.total,
                        "note": m.note,
                    }
                    for m in frame.masters
                ],
            }
            for frame in record.frames
        ],
        "products": [
            {
                "key": product.id,
                "step": product.step,
                "label": product.label,
                "files": list(product.files),
                "frames": list(product.frames),
                "measures": dict(product.measures),
            }
            for product in (*record.masters, *record.products)
        ],
        "report": report.name,
    }


def _facts(info: FrameInfo) -> dict[str, Any]:
    facts = info.to_dict()
    return {"file": facts.pop("path", ""), **facts}


def write_manifest(output: Path, content: Mapping[str, Any]) -> None:
    """Put the manifest into the output folder, atomically."""
    with atomic(output / MANIFEST) as temporary:
        temporary.write_text(json.dumps(content, indent=1, ensure_ascii=False))
