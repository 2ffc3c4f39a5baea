"""The whole job on one night of raw frames, against reading them and writing what comes of them.

Needs 28 GB of disk for 24-megapixel frames, in the folder for temporary files (TMPDIR), and some
minutes. The yardstick decodes every raw frame, one after the other on one thread, and writes the
products' bytes once. The invented camera's files are compressed without loss, as most cameras' are:
that takes several times as long to decode as plain 16-bit pixels.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import rawpy
from tests.benchmarks.harness import CORES, Case

START = "from coldframe.cli.main import main; main()"


def coldframe(*words: str) -> dict[str, Any]:
    """What a command prints as JSON."""
    done = subprocess.run(
        [sys.executable, "-c", START, *words, "--json"], check=True, capture_output=True, text=True
    )
    out: dict[str, Any] = json.loads(done.stdout)
    return out


def products(folder: Path) -> list[Path]:
    """The files that a run leaves for people."""
    return sorted(path for path in folder.iterdir() if path.is_file())


class Night:
    """An invented night of raw frames, and the work on it."""

    def __init__(self, folder: Path, size: str) -> None:
        self.folder = folder
        self.night, self.runs = folder / "night", 0
        coldframe("demo", str(self.night), "--only-make", "--size", size)
        self.frames = sorted(self.night.rglob("*.DNG"))

    def ours(self) -> Path:
        """Everything made anew: an output folder of its own each time."""
        self.runs += 1
        out = self.folder / f"run-{self.runs}"
        more = "--no-library", "--workers", str(CORES)
        coldframe("run", str(self.night), "-o", str(out), *more)
        return out

    def peer(self) -> int:
        """Decode each frame, and write as many bytes as the products have."""
        for path in self.frames:
            with rawpy.imread(str(path)) as raw:
                raw.raw_image_visible.copy()
        size = sum(path.stat().st_size for path in products(self.folder / f"run-{self.runs}"))
        with (self.folder / "written").open("wb") as file:
            for _ in range(size >> 20):
                file.write(bytes(1 << 20))
            file.flush()
            os.fsync(file.fileno())
        return len(self.frames)

    def agree(self, ours: Path, frames: int) -> str:
        told = json.loads((ours / "coldframe-run.json").read_text())
        seen = len(told["frames"])
        assert seen == frames, f"{frames} frames were decoded and {seen} are in the run's record"
        assert any(path.suffix == ".fits" for path in products(ours))
        return f"all {frames} frames are in the run's record, and its stack is there"


def cases(quick: bool) -> Iterator[Case]:
    with tempfile.TemporaryDirectory(prefix="coldframe-") as name:
        night = Night(Path(name), "tiny" if quick else "full")
        yield Case(
            name=f"whole job, {len(night.frames)} raw frames",
            ours=night.ours,
            peer=night.peer,
            agree=night.agree,
            target=1 / 2.5,
            against="decoding all, writing products",
            rounds=1,
            warm=False,
        )
