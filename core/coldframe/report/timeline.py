"""The lights in order of time: a strip of small pictures with what was measured."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from coldframe.frame import Array, Frame, FrameInfo
from coldframe.report.blocks import Block, Picture, Shot, Strip
from coldframe.report.figures import probe
from coldframe.report.findings import lights
from coldframe.report.numbers import moment, number
from coldframe.report.pictures import fit, image, moved, skies
from coldframe.report.record import FrameRecord, RunRecord
from coldframe.report.tables import MAIN_MEASURES, title, unit
from coldframe.stretch import Stretch, render

_MOST = 400  # pictures in a page


def strip(record: RunRecord) -> list[Block]:
    """Every light with its picture; nothing where no light has one."""
    every = lights(record)
    pictures = _pictures(record, every)
    if not pictures:
        return []
    return [Strip([_shot(record, frame, pictures.get(frame.id)) for frame in every])]


def _shot(record: RunRecord, frame: FrameRecord, picture: Picture | None) -> Shot:
    facts = [("Start", f"{moment(frame.info.start)} UTC")] if frame.info.start else []
    if frame.info.temperature is not None:
        facts.append(("Temperature", f"{number(frame.info.temperature, 3)} °C"))
    facts += [
        (title(name), f"{number(frame.measures[name])} {unit(record, name)}".strip())
        for name in MAIN_MEASURES
        if name in frame.measures
    ]
    verdict = "used" if frame.used else f"set aside: {frame.reason or 'no reason recorded'}"
    return Shot(frame.id, frame.info.label, frame.used, [*facts, ("Verdict", verdict)], picture)


def _pictures(record: RunRecord, every: list[FrameRecord]) -> dict[str, Picture]:
    """By frame id. One stretch for all, so that cloud and twilight show as they were."""
    # Those set aside are looked at first: keep theirs whatever else there is.
    chosen = sorted(every, key=lambda frame: frame.used)[:_MOST]
    seen = {f.id: probe(record, f"thumb {f.id}") for f in chosen}
    frames = {name: _frame(numbers["picture"]) for name, numbers in seen.items() if numbers}
    plain = [
        frames[f.id] for f in chosen if f.id in frames and f.used and seen[f.id]["calibrated"][0]
    ]
    fitted = plain[len(plain) // 2] if plain else next(iter(frames.values()), None)
    stretch = fit(fitted) if fitted is not None else None
    if fitted is None or stretch is None:
        return {}
    names = {frame.id: frame.info.label for frame in chosen}
    sky = skies(fitted)
    return {
        name: _picture(frame, names[name], stretch, sky, bool(seen[name]["calibrated"][0]))
        for name, frame in frames.items()
        if frame.data.ndim == fitted.data.ndim
    }


def _frame(picture: Array) -> Frame:
    data = np.asarray(picture if len(picture) == 3 else picture[0], np.float32)
    return Frame(data, np.zeros(data.shape[-2:], np.uint8), FrameInfo())


def _picture(
    frame: Frame, name: str, stretch: Stretch, sky: Sequence[float], calibrated: bool
) -> Picture:
    # A light as shot stands on its offset: only its own sky can be shown at the same grey.
    curve = stretch if calibrated else moved(stretch, sky, skies(frame))
    how = "calibrated" if calibrated else "as shot"
    return image(render(frame, curve), name="", caption="", alt=f"{name}, {how}")
