"""Trails that were rejected: the light that had each, next to the stack."""

from __future__ import annotations

import numpy as np

from coldframe.frame import Array, Frame, FrameInfo
from coldframe.report.blocks import Block, Picture, Pictures, Text
from coldframe.report.figures import probe, proved
from coldframe.report.findings import lights
from coldframe.report.numbers import count, number
from coldframe.report.pictures import fit, moved, picture, skies
from coldframe.report.record import FrameRecord, RunRecord


def trail_blocks(record: RunRecord) -> list[Block]:
    """A pair of pictures for each trail, one a light; nothing where none was found."""
    numbers = probe(record, "trails")
    places = numbers.get("frame")
    if places is None:
        return []
    if not places.size:
        return [Text("No trail was found among the rejected pixels.")]
    owners = _owners(record)
    blocks: list[Block] = [
        Text(
            f"{count(places.size, 'line')} of rejected pixels {'was' if places.size == 1 else 'were'} "
            "found. Each is shown in the light that has it, next to the stack at the same place "
            "and stretch."
        )
    ]
    for i, place in enumerate(places.astype(int)):
        owner = owners[place] if place < len(owners) else None
        pair = _pair(numbers[f"light {i}"], numbers[f"stack {i}"], owner)
        if pair:
            length = float(np.hypot(*(numbers["end"][i] - numbers["start"][i])))
            name = owner.info.label if owner else "A light"
            blocks.append(
                Pictures(
                    pair,
                    f"Trail in {name}",
                    f"{number(length, 3)} px long, {number(float(numbers['excess'][i]), 3)} ADU "
                    "above the sky beside it in that light.",
                )
            )
    return blocks


def _owners(record: RunRecord) -> list[FrameRecord]:
    """The stack's lights in the order in which its step had them."""
    stack = proved(record)
    if stack is None:
        return []
    by_id = {frame.id: frame for frame in lights(record)}
    return [by_id[name] for name in stack.frames if name in by_id]


def _pair(light: Array, stack: Array, owner: FrameRecord | None) -> list[Picture]:
    before, after = _frame(light), _frame(stack)
    stretch = fit(after)
    if stretch is None:
        return []
    name = owner.info.label if owner else "The light"
    sky = skies(after)
    return [
        picture(
            frame,
            moved(stretch, sky, sky if frame is after else skies(frame)),
            name=what,
            caption="At full size.",
            alt=f"{what}, where the trail is",
            exact=True,
        )
        for frame, what in ((before, name), (after, "The stack"))
    ]


def _frame(channels: Array) -> Frame:
    data = np.asarray(channels if len(channels) == 3 else channels[0], np.float32)
    return Frame(data, np.zeros(data.shape[-2:], np.uint8), FrameInfo())
