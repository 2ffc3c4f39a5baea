"""Peak memory of integrating many large frames under a limit, measured.

    python -m tests.benchmarks.soak_memory --frames 200 --megapixels 24 --memory 2GiB --folder DIR

The frames are made as they are read, so that the disk holds the run's own files only: 5 bytes per
pixel of a mono frame and 13 of a colour frame, for each frame. DIR is emptied at the end. The run
is the engine's own: plan, budget, calibrate (black level), integrate, background-fit, products.
Prints JSON: the limit, the peak that the operating system saw, and what the plan had expected.
"""

from __future__ import annotations

import argparse
import json
import math
import shutil
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from coldframe import plugins, specs, tasks
from coldframe.budget import limited
from coldframe.cli.options import Size
from coldframe.disk import check_disk
from coldframe.estimate import estimate, load_rates
from coldframe.execute import pending, run_plan
from coldframe.footprint import BASE
from coldframe.frame import Frame, FrameInfo, Kind
from coldframe.graph import compile_plan
from coldframe.limits import check_memory, fitting_workers
from coldframe.memory import peak_memory, peak_of_children
from coldframe.planned import Plan, Resources
from coldframe.recipe import load_recipe
from coldframe.step import Context, Flow, FrameStep
from coldframe.store import Store
from coldframe.tidy import Tidy

MIB = 1 << 20

RECIPE = """\
recipe: 1
name: soak
about: Many large frames into one stack
inputs: {lights: {kind: light}}
steps:
  clean: {use: calibrate, from: lights}
COLOUR
  placed: {use: on-one-grid, from: LAST}
  stack: {use: integrate, from: placed, per: [target]}
  final: {use: background-fit, from: stack}
outputs:
  stack: {fits: true}
  final: {fits: {planes: [background]}, tiff: true, png: true}
"""

COLOUR = "  colour: {use: demosaic, from: clean}"


class OnOneGrid(FrameStep):
    """Says of frames that they are registered, which those made up here are."""

    name, version, about = "on-one-grid", "1", "take frames as they lie"
    sources = ("common practice, no source",)
    flow = Flow(registers=True)

    def apply(self, frame: Frame, ctx: Context) -> Frame:
        return frame


class MadeUp:
    """Gives frames of a faint tilted sky with noise, made from the number in their name."""

    name, version, about = "made-up", "1", "frames that no file holds"
    suffixes: Sequence[str] = (".none",)

    def read_info(self, path: Path) -> Sequence[tuple[FrameInfo, Mapping[str, Any]]]:
        return []  # there are no files: the plan is made from facts

    def read_frame(self, info: FrameInfo) -> Frame:
        assert info.shape is not None
        height, width = info.shape
        rng = np.random.default_rng(int(info.digest[:8], 16))
        data = np.empty(info.shape, np.uint16)
        noise = rng.normal(0, 20, 1_000_003).astype(np.float32)
        for y in range(height):
            tilt = 900 + 100 * y / height
            start = int(rng.integers(noise.size - width))
            data[y] = noise[start : start + width] + tilt
        return Frame(data, np.zeros(info.shape, np.uint8), info)


def registry() -> plugins.Registry:
    """The installed plugins and the one above, for this process."""
    found = plugins.find_plugins()
    whole = replace(
        found,
        readers=(*found.readers, MadeUp()),
        steps={**found.steps, OnOneGrid.name: OnOneGrid},
    )
    for module in (specs, tasks):
        module.worker_registry = lambda: whole  # type: ignore[attr-defined]
    return whole


def plan(folder: Path, args: argparse.Namespace, known: plugins.Registry) -> tuple[Plan, Resources]:
    """The plan of the run."""
    side = math.sqrt(args.megapixels * 1e6 / 6)
    shape = round(2 * side), round(3 * side)
    text = RECIPE.replace("COLOUR\n", f"{COLOUR}\n" if args.colour else "")
    recipe = folder / "soak.yaml"
    recipe.write_text(text.replace("LAST", "colour" if args.colour else "clean"))
    frames = [
        (
            FrameInfo(
                kind=Kind.LIGHT, path=str(folder / f"{n}.none"), digest=f"{n:08x}" * 5, shape=shape,
                exposure=60.0, target="Soak", white=65535.0, black=(100.0,),
                cfa="RGGB" if args.colour else None,
            ),
            "made-up",
        )
        for n in range(args.frames)
    ]  # fmt: skip
    for info, _ in frames:
        Path(info.path).touch()
    resources = Resources(args.workers, args.memory)
    made = compile_plan(
        load_recipe(recipe, known), frames, known,
        store=folder / "store", output=folder / "out", resources=resources,
    )  # fmt: skip
    return made, resources


def soak(args: argparse.Namespace) -> dict[str, Any]:
    """Run it and tell how much memory it took."""
    known = registry()
    made, resources = plan(args.folder, args, known)
    todo = pending(made)
    cost, needs = estimate(made, todo, resources, load_rates(made.store), known)
    check_memory(needs, todo, resources)
    check_disk(cost.disk, args.keeps, made.store, args.folder)
    tidy = Tidy(made, todo, args.keeps)
    started = time.perf_counter()
    with limited(args.memory - BASE, needs):
        run_plan(
            made,
            todo,
            scheduler="threads",
            workers=fitting_workers(needs.values(), resources),
            watch=lambda spec, ref: tidy.done(spec) if ref is not None else None,
        )
    ref = Store(made.store).get(made.flows["stack"][0].key)
    assert ref is not None
    return {
        "frames": args.frames,
        "megapixels": args.megapixels,
        "colour": args.colour,
        "workers": args.workers,
        "limit_mib": args.memory // MIB,
        "peak_mib": peak_memory() // MIB,
        "children_mib": peak_of_children() // MIB,
        "expected_mib": cost.memory // MIB,
        "least_mib": cost.least_memory // MIB,
        "bands": sum(key.endswith("-band") for key in todo),
        "disk_planned": cost.disk.store[args.keeps].peak,
        "seconds": round(time.perf_counter() - started, 1),
        "noise": ref.measures["noise"],
    }


def main() -> None:
    """From the command line."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--frames", type=int, default=200)
    parser.add_argument("--megapixels", type=float, default=24.0)
    parser.add_argument("--colour", action="store_true")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--memory", type=lambda v: Size().convert(v, None, None), default="2GiB")
    parser.add_argument("--keeps", default="all")
    parser.add_argument("--folder", type=Path, required=True)
    args = parser.parse_args()
    args.folder.mkdir(parents=True)
    try:
        print(json.dumps(soak(args), indent=1))
    finally:
        shutil.rmtree(args.folder)


if __name__ == "__main__":
    main()
