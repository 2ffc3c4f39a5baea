"""The report's pictures: the result, before and after, and the maps of each stack."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from coldframe.frame import Frame
from coldframe.report.blocks import Block, Picture, Pictures, Text
from coldframe.report.findings import (
    Result,
    before_stack,
    calibrated,
    lights,
    results,
    sureness,
)
from coldframe.report.glance import MAPS, Album, Map
from coldframe.report.numbers import count, number
from coldframe.report.pictures import fit, image, moved, picture, skies
from coldframe.report.record import FrameRecord, ProductRecord, RunRecord
from coldframe.stretch import preview

_LARGE = 1400  # px, longest side of the result
_SEVERAL = 900  # the same when there are several results
_HALF = 500  # px, longest side of a picture of a pair
_MASTER = 320  # px, longest side of a master's picture
_MASTERS = 24
_OWN_STRETCH = "Each is stretched by itself to show its pattern: compare shapes, not brightness."
_MAPS = {
    "count": ("Frames used", "lights that went into each pixel"),
    "weight": ("Weight", "weight that went into each pixel, of the weight of all lights"),
    "high": ("Rejected as too high", "satellite trails, aircraft and cosmic rays show here"),
    "low": ("Rejected as too low", "values far below the other lights"),
    "background": ("Background model", "what was taken off the stack"),
}


def final_pictures(record: RunRecord, album: Album) -> list[Block]:
    """Each result, large."""
    every = results(record)
    if not every:
        return [Text("There is no result to show: no stack was made.")]
    shown: list[Picture] = []
    for result in every:
        seen = album.glance(result.final.id)
        if seen is None:
            continue
        small = preview(seen.whole, _LARGE if len(every) == 1 else _SEVERAL)
        stretch = fit(small)
        if stretch is not None:
            shown.append(
                picture(
                    small,
                    stretch,
                    name=result.final.label,
                    caption=f"{_files(result.final)}Stretched to show faint parts; the data are linear.",
                    alt=f"The finished picture of {result.final.label}, stretched to show faint "
                    "parts",
                )
            )
    if not shown:
        return [Text("The pixels of the result are no longer in the store.")]
    return [Pictures(shown, layout="wide" if len(shown) == 1 else "several")]


def _files(product: ProductRecord) -> str:
    return f"Files: {', '.join(product.files)}. " if product.files else ""


def before_and_after(record: RunRecord, album: Album) -> list[Block]:
    """One light next to the stack, the stack next to the result, a raw light next to a clean one.

    Both pictures of a pair have the same stretch, each about its own sky.
    """
    blocks: list[Block] = []
    every = results(record)
    for result in every:
        title = f" – {result.stack.label}" if len(every) > 1 else ""
        blocks += _one_and_stack(record, album, result, title)
        blocks += _stack_and_final(album, result, title)
    blocks += _raw_and_clean(record, album)
    if blocks:
        about = (
            "Both pictures of a pair have the same stretch, each about its own sky, so that what "
            "differs between them is the data."
        )
        return [Text(about), *blocks]
    return [Text("No frame before the result is left in the store to compare it with.")]


@dataclass(frozen=True, slots=True)
class _Shown:
    """One picture of a pair. `sky` is what tells the frame's sky level."""

    frame: Frame
    sky: Frame
    name: str
    caption: str


def _pair(fitted: Frame, shown: Sequence[_Shown], *, exact: bool) -> list[Picture]:
    """Pictures under one stretch, fitted to a frame and moved to each picture's own sky."""
    stretch = fit(fitted)
    if stretch is None:
        return []
    sky = skies(fitted)
    return [
        picture(
            one.frame,
            moved(stretch, sky, sky if one.sky is fitted else skies(one.sky)),
            name=one.name,
            caption=one.caption,
            alt=f"{one.name}: {one.caption}",
            exact=exact,
        )
        for one in shown
    ]


def _typical(record: RunRecord, inside: Sequence[str] | None = None) -> list[FrameRecord]:
    """Used lights, those with the most usual noise first."""
    frames = [f for f in lights(record) if f.used and (inside is None or f.id in set(inside))]
    noises = [f.measures["noise"] for f in frames if "noise" in f.measures]
    usual = median(noises) if noises else 0.0
    return sorted(frames, key=lambda f: abs(f.measures.get("noise", float("inf")) - usual))


def _one_and_stack(record: RunRecord, album: Album, result: Result, title: str) -> list[Block]:
    after = album.glance(result.stack.id)
    if after is None or len(result.stack.frames) < 2:
        return []
    for frame in _typical(record, result.stack.frames):
        before = album.glance(before_stack(record, frame, result.stack))
        if before is None or before.crop.data.shape != after.crop.data.shape:
            continue
        label = f"{frame.info.label}, calibrated: the middle of the field at full size."
        many = count(len(result.stack.frames), "light")
        pair = (
            _Shown(before.crop, before.sample, "One light", label),
            _Shown(after.crop, after.sample, "The stack", f"{many}, the same place."),
        )
        # The result has the flattest sky, so its stretch shows most.
        pictures = _pair((album.glance(result.final.id) or after).sample, pair, exact=True)
        if pictures:
            return [Pictures(pictures, f"One light and the stack{title}")]
    return []


def _stack_and_final(album: Album, result: Result, title: str) -> list[Block]:
    if result.stack.id == result.final.id:
        return []
    before, after = album.glance(result.stack.id), album.glance(result.final.id)
    if before is None or after is None:
        return []
    small = preview(before.whole, _HALF), preview(after.whole, _HALF)
    pair = (
        _Shown(small[0], small[0], "The stack", f"As step {result.stack.step} made it."),
        _Shown(small[1], small[1], "The result", f"After {result.final.uses}."),
    )
    pictures = _pair(small[1], pair, exact=False)
    return [Pictures(pictures, f"The stack and the result{title}")] if pictures else []


def _raw_and_clean(record: RunRecord, album: Album) -> list[Block]:
    for frame in _typical(record):
        after = album.glance(calibrated(record, frame))
        before = album.glance(frame.id) if after is not None else None
        if before is None or after is None or before.crop.data.shape != after.crop.data.shape:
            continue
        half = " Each 2 × 2 of the mosaic is one pixel." if after.mosaic else ""
        small = preview(before.whole, _HALF), preview(after.whole, _HALF)
        label = f"{frame.info.label} as the camera wrote it."
        pair = (
            _Shown(small[0], small[0], "Raw", label),
            _Shown(small[1], small[1], "Calibrated", "The same light after its masters."),
        )
        whole = _pair(small[1], pair, exact=False)
        label = f"The middle of the field at full size.{half}"
        pair = (
            _Shown(before.crop, before.sample, "Raw", label),
            _Shown(after.crop, after.sample, "Calibrated", "The same place."),
        )
        crop = _pair(after.sample, pair, exact=True)
        return [
            Pictures(pictures, title)
            for pictures, title in (
                (whole, "A raw light and the same light calibrated"),
                (crop, "The same two at full size"),
            )
            if pictures
        ]
    return []


def master_pictures(record: RunRecord, album: Album) -> list[Block]:
    """Every master, small, each with a stretch of its own."""
    shown = []
    for master in record.masters[:_MASTERS]:
        seen = album.glance(master.id)
        small = preview(seen.whole, _MASTER) if seen is not None else None
        stretch = fit(small) if small is not None else None
        if small is not None and stretch is not None:
            kind = master.info.kind.value if master.info.kind else "master"
            shown.append(
                picture(
                    small,
                    stretch,
                    name=master.label,
                    caption=f"From {count(len(master.frames), 'frame')}.",
                    alt=f"The master {kind}, stretched to show its pattern",
                )
            )
    return [Pictures(shown, "The masters", _OWN_STRETCH, layout="thumbs")] if shown else []


def maps(record: RunRecord, album: Album) -> list[Block]:
    """Rejection, coverage and background of each result."""
    blocks: list[Block] = []
    every = results(record)
    for result in every:
        # The result has most planes of the stack too: as they are there, they go first.
        seen = [album.glance(product.id) for product in (result.final, result.stack)]
        shown = []
        for name in MAPS:
            found = (glance.map(name) for glance in seen if glance is not None)
            plane = next((plane for plane in found if plane is not None), None)
            if plane is not None:
                shown.append(_map(name, plane, result))
        if shown:
            title = result.stack.label if len(every) > 1 else ""
            blocks.append(Pictures(shown, title, layout="thumbs"))
    return blocks


def _map(name: str, plane: Map, result: Result) -> Picture:
    title, about = _MAPS[name]
    low, high = plane.shown
    span = high - low
    caption = f"{about}. Black is {number(low, 3)}, white {number(high, 3)}"
    share = result.stack.measures.get(f"rejected_{name}")
    if share is not None:
        caption += f"; {number(share, 2)}% of all values were rejected"
    elif name == "background":
        caption += f" ADU; from {number(plane.low)} to {number(plane.high)} ADU in all"
        caption += "".join(f"; {words}" for words in sureness(result.final.measures))
    grey = (plane.data - low) / span if span > 0 else np.full(plane.data.shape, 0.5)
    return image(
        np.rint(255 * grey.clip(0, 1)).astype(np.uint8),
        name=title,
        caption=caption[0].upper() + caption[1:] + ".",
        alt=f"Map over the field: {title.lower()}",
    )
