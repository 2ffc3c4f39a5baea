"""A finished run read back from its output folder and its store."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from coldframe.errors import ColdframeError, StoreError, UsageError
from coldframe.finished import read_manifest
from coldframe.frame import Frame
from coldframe.night import MANIFEST
from coldframe.planned import frame_id
from coldframe.product import read_frame
from coldframe.specs import StepCall, worker_registry
from coldframe.store import Ref, Store


@dataclass(frozen=True, slots=True)
class Result:
    """One stack of lights and what was made of it.

    lights : ids of the source frames in it. stack, final : store keys. files : FITS files of the
    final product in the output folder.
    """

    target: str
    filter: str
    lights: tuple[str, ...]
    stack: str
    final: str
    files: tuple[Path, ...]

    @property
    def name(self) -> str:
        """Target and filter in words."""
        return " · ".join(filter(None, (self.target, self.filter))) or "the stack"


@dataclass(frozen=True, slots=True)
class RunFolder:
    """What a run's output folder tells. name : the folder's."""

    folder: Path
    name: str
    recipe: str
    settings: Mapping[str, Any]  # "step.parameter" -> value
    nights: tuple[str, ...]
    files: Mapping[str, str]  # id of a source frame -> file
    results: Mapping[tuple[str, str], Result]  # by target and filter
    store: Store


def read_run(folder: Path, store: Path | None = None) -> RunFolder:
    """Read a run's manifest.

    store : where its store is, when it was moved; else as the manifest tells.

    Raises UsageError when the folder is not of a finished run, or has no stack of lights.
    """
    told = read_manifest(folder)
    try:
        results = _results(folder, told)
        steps = told["recipe"]["steps"]
        run = RunFolder(
            folder=folder,
            name=folder.resolve().name,
            recipe=told["recipe"]["name"],
            settings={
                f"{step['id']}.{name}": value
                for step in steps
                for name, value in {"use": step["use"], **step["params"]}.items()
            },
            nights=tuple(told["nights"]),
            files={frame["id"]: frame["file"] for frame in told["frames"]},
            results=results,
            store=Store(store or folder / told.get("store", "store")),
        )
    except (KeyError, TypeError) as error:
        raise UsageError(f"{folder / MANIFEST} is not a run's: it lacks {error}") from None
    if not results:
        raise UsageError(f"{folder} has no stack of lights to compare")
    return run


def _results(folder: Path, told: Mapping[str, Any]) -> dict[tuple[str, str], Result]:
    """The largest stack of each target and filter, with the last product made of it."""
    frames = {frame["id"]: frame for frame in told["frames"]}
    made: dict[tuple[str, ...], list[Mapping[str, Any]]] = {}
    order = [step["id"] for step in told["recipe"]["steps"]]
    for product in sorted(
        (p for p in told["products"] if p["step"] in order), key=lambda p: order.index(p["step"])
    ):
        lights = tuple(product["frames"])
        if lights and all(frames.get(i, {}).get("kind") == "light" for i in lights):
            made.setdefault(lights, []).append(product)
    results: dict[tuple[str, str], Result] = {}
    for lights, products in made.items():
        targets, filters = (
            {frames[i].get(fact) or "" for i in lights} for fact in ("target", "filter")
        )
        named = tuple(names.pop() if len(names) == 1 else "" for names in (targets, filters))
        key = named[0], named[1]
        files = [folder / name for name in products[-1]["files"] if name.endswith(".fits")]
        if key not in results or len(results[key].lights) < len(lights):
            first, last = products[0]["key"], products[-1]["key"]
            results[key] = Result(*key, lights, first, last, tuple(files))
    return results


def picture_of(run: RunFolder, result: Result) -> Frame:
    """The final product's pixels: from the store, else from the FITS file in the output folder.

    Raises ColdframeError when neither is there.
    """
    for path in (run.store.file(result.final), *result.files):
        if path.exists():
            try:
                return read_frame(path)
            except StoreError:
                continue
    raise ColdframeError(
        f"{run.folder}: the pixels of {result.name} are neither in the store ({run.store.root}) nor "
        "in a FITS file of the folder; run it again, or tell where the store is with --store"
    )


@dataclass(frozen=True, slots=True)
class Recombined:
    """How a stack was made of its lights: the decision's key, the step, and the lights' ids."""

    decision: str
    call: StepCall
    lights: tuple[str, ...]


def how_stacked(run: RunFolder, result: Result) -> Recombined | str:
    """What it takes to make the stack again of some of its lights, or why that cannot be."""
    ref = run.store.get(result.stack)
    decision: Ref | None = None
    for _ in range(10):
        first = run.store.get(ref.inputs[0]) if ref is not None and ref.inputs else None
        if ref is not None and first is not None and first.rows == ref.inputs[1:]:
            decision = first
            break
        ref = first
    if ref is None or decision is None:
        return f"the store of {run.name} no longer tells how the stack was made"
    rows = [run.store.get(key) for key in decision.rows]
    if any(row is None or not run.store.file(row.key).exists() for row in rows):
        return f"the aligned lights of {run.name} are no longer in its store"
    use, version = _made_by(ref.step)
    registry = worker_registry()
    if use not in registry.steps or registry.step(use).version != version:
        return f"{run.name} was stacked by '{ref.step}', which is not what is installed here"
    lights = tuple(frame_id(row.info) for row in rows if row is not None)
    call = StepCall(result.stack, use, version, json.loads(ref.params))
    return Recombined(decision.key, call, lights)


def _made_by(step: str) -> tuple[str, str]:
    use, _, version = step.rpartition(" ")
    return use, version


def differences(one: RunFolder, two: RunFolder) -> Sequence[str]:
    """What is set otherwise in the second run, as "step.parameter: first, then second"."""
    return [
        f"{name}: {_said(one.settings, name)}, then {_said(two.settings, name)}"
        for name in sorted({*one.settings, *two.settings})
        if one.settings.get(name, ...) != two.settings.get(name, ...)
    ]


def _said(settings: Mapping[str, Any], name: str) -> str:
    value = settings.get(name, "absent")
    return value if isinstance(value, str) else json.dumps(value)
