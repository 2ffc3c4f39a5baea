"""What the times were taken on."""

from __future__ import annotations

import os
import platform
from importlib.metadata import version
from pathlib import Path

LIBRARIES = ("numpy", "numba", "scipy", "astropy", "bottleneck", "opencv-python-headless", "sep")


def describe() -> dict[str, str]:
    """Processor, cores, Python and the versions of the libraries compared."""
    facts = {
        "processor": _processor(),
        "cores": str(os.cpu_count()),
        "python": platform.python_version(),
    }
    for name in LIBRARIES:
        facts[name] = version(name)
    return facts


def _processor() -> str:
    """Name and widest vector instructions, as far as the system tells."""
    info = Path("/proc/cpuinfo")
    if not info.exists():
        return platform.processor() or platform.machine()
    lines = info.read_text().splitlines()
    fields = dict(line.split(":", 1) for line in lines if ":" in line)
    named = {key.strip(): value.strip() for key, value in fields.items()}
    flags = named.get("flags", "").split()
    wide = next((w for w in ("avx512f", "avx2", "avx") if w in flags), "")
    return f"{named.get('model name', platform.machine())} {wide}".strip()
