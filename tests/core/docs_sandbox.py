"""A folder in which the commands of a documentation page run as they are written.

The names that the pages use stand for tiny invented nights:

- a name such as 2026-03-14 is a night: lights, darks, flats and bias, with its notes file;
- darks, flats, bias and lights are folders of that night's frames of those kinds;
- reeds, where a command names something in it, is what `coldframe run` made of such a night;
- other names are told by a mark above the block: <!-- snippet: with NAME = THING -->, where THING
  is night, mono-night, stack (as reeds), one of the kinds above, or camera-frames (bias, darks and flats from dark to
  white at one setting, as n1-frames holds).

`coldframe demo` makes its smallest night. Home, cache and library are the sandbox's own.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from docs_blocks import Block

from coldframe.cli.main import run_command_line
from coldframe.demo.dng import DngFacts, write_dng
from coldframe.demo.scenario import COLOUR_CAMERA
from coldframe.demo.sensor import expose, make_sensor
from coldframe.frame import Kind
from sharing import DemoNight

NIGHT = re.compile(r"(?<![\w/-])(20\d\d-\d\d-\d\d)(?![\w-])")
KNOWN = {
    "darks": "darks", "flats": "flats", "bias": "bias", "lights": "lights",
    "n1-frames": "camera-frames",
}  # fmt: skip
KINDS = {
    "darks": (Kind.DARK,),
    "flats": (Kind.FLAT,),
    "bias": (Kind.BIAS,),
    "lights": (Kind.LIGHT,),
}
SHELL = re.compile(r"[|&;<>$`*?]|\bcd\b")


THINGS = ("night", "mono-night", "stack", "camera-frames", *KINDS)


class Nights:
    """Tiny invented nights, each made once."""

    def __init__(self, folder: Path, demo_night: Callable[..., DemoNight]) -> None:
        self.folder, self.demo_night = folder, demo_night

    def make(self, thing: str, target: Path) -> None:
        """A copy of a night, or of its frames of one kind, as `target`."""
        if thing == "stack":
            self._stack(target)
            return
        if thing == "camera-frames":
            photon_transfer(target)
            return
        night = self.demo_night("mono" if thing == "mono-night" else "colour", seed=1)
        if thing in ("night", "mono-night"):
            shutil.copytree(night.folder, target)
            return
        assert thing in KINDS, f"'{thing}' is not known; there are: {[*THINGS]}"
        for shot in night.truth.shots:
            if shot.kind in KINDS[thing]:
                place = target / Path(shot.name).name
                place.parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(night.folder / shot.name, place)
        # Names differ here, so the notes' temperatures are carried over and nothing else.
        shutil.copy2(night.folder / "notes.yaml", target / "notes.yaml")

    def _stack(self, target: Path) -> None:
        """The outcome of a run, made once."""
        source, night = self.folder / "stack", self.folder / "2026-03-14"
        if not source.exists():
            self.make("night", night)
            done = run_command_line(["run", str(night), "-o", str(source), "--no-library"])
            assert done == 0
        shutil.copytree(source, target)


class Sandbox:
    """Where the blocks of one page run, one after the other."""

    def __init__(self, home: Path, nights: Nights, monkeypatch: pytest.MonkeyPatch) -> None:
        self.home, self.nights = home, nights
        for name in ("CACHE", "DATA", "CONFIG", "STATE"):
            monkeypatch.setenv(f"XDG_{name}_HOME", str(home.parent / f"user-{name.lower()}"))
        home.mkdir()
        monkeypatch.setenv("HOME", str(home))
        monkeypatch.chdir(home)

    def furnish(self, block: Block) -> None:
        """Make the folders that a block names."""
        wanted = {
            name.strip(): thing.strip()
            for pair in block.marks.get("with", "").split(",") if pair
            for name, _, thing in [pair.partition("=")]
        }  # fmt: skip
        wanted |= dict.fromkeys(NIGHT.findall(block.text), "night")
        words = {word.split("/")[0] for line in block.commands for word in line.split()}
        wanted |= {name: thing for name, thing in KNOWN.items() if name in words}
        if any(re.search(r"(?<!\S)reeds/", line) for line in block.commands):
            wanted["reeds"] = "stack"
        for nested in re.findall(r"(?<!\S)(?:darks|flats|bias)/20\d\d-\d\d(?:-\d\d)?", block.text):
            wanted[nested] = nested.split("/")[0]
        for name, thing in wanted.items():
            if not (self.home / name).exists():
                self.nights.make(thing, self.home / name)

    def type(self, line: str) -> int:
        """Do what a line at the prompt does; the exit code."""
        if line.startswith("coldframe ") and not SHELL.search(line.split(" #")[0]):
            return run_command_line(_tiny(shlex.split(line, comments=True)[1:]))
        bin_folder = self.home.parent / "bin"
        bin_folder.mkdir(exist_ok=True)
        program = bin_folder / "coldframe"
        program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m coldframe.cli "$@"\n')
        program.chmod(0o755)
        env = {**os.environ, "PATH": f"{bin_folder}{os.pathsep}{os.environ['PATH']}"}
        done = subprocess.run(["bash", "-euo", "pipefail", "-c", line], env=env, check=False)
        return done.returncode


def photon_transfer(folder: Path) -> None:
    """Frames of the demo's colour camera that tell its gain at ISO 1600."""
    shape, iso, rng = (120, 160), 1600, np.random.default_rng(3)
    sensor = make_sensor(COLOUR_CAMERA, shape, rng)
    shots = [("bias", 0.001, None)] * 6 + [("darks", 120.0, None)] * 4
    shots += [("flats", step / 8, step * 330.0) for step in range(1, 13) for _ in range(2)]
    for number, (kind, exposure, light) in enumerate(shots):
        lit = None if light is None else np.full(shape, light, np.float32)
        pixels = expose(sensor, lit, exposure, 13.5, iso, rng)
        path = folder / kind / f"{number:03}.dng"
        path.parent.mkdir(parents=True, exist_ok=True)
        camera, start = COLOUR_CAMERA, datetime(2026, 3, 1, 12, number, tzinfo=UTC)
        facts = DngFacts(
            make=camera.make, model=camera.model, cfa="RGGB", black=camera.black,
            white=camera.white, exposure=exposure, iso=iso, start=start,
        )  # fmt: skip
        write_dng(path, pixels, facts)
    (folder / "notes.yaml").write_text(
        "temperatures: [{time: 2026-03-01T12:00Z, celsius: 13.5}]\n"
        "kinds: {bias: bias/*, dark: darks/*, flat: flats/*}\n"
    )


def _tiny(argv: list[str]) -> list[str]:
    return [*argv, "--size", "tiny"] if argv[0] == "demo" and "--size" not in argv else argv
