"""The shot list on paper and in a table: printable HTML and CSV, with the cautions."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from coldframe.cautions import IN_REPORT, for_frames
from coldframe.facts import exposure_text, fact, show
from coldframe.frame import FrameInfo, Kind
from coldframe.product import atomic
from coldframe.report.blocks import Block, Bullets, Cell, Heading, Line, Part, Table, Text
from coldframe.report.build import write_page
from coldframe.report.numbers import count, duration, number
from coldframe.shots.items import Item, ShotList, Wish, name_of


def cautions(items: Sequence[Item]) -> tuple[str, ...]:
    """Safety: cautions for what is on the list."""
    return tuple(map(str, for_frames(i.kind for i in items if i.shoot)))


def settings_text(info: FrameInfo, with_camera: bool = False) -> str:
    """What to set the camera to, in words."""
    names = ["iso", "gain_setting", "offset"]
    if info.kind is Kind.FLAT:
        named = info.optics or info.lens
        names = ["filter", *names, *(["optics"] if named else ["aperture", "focal_length"])]
    if with_camera:
        names.insert(0, "camera")
    return " · ".join(show(n, fact(info, n)) for n in names if fact(info, n) is not None)


def title_of(item: Item) -> str:
    """Such as "darks, 120 s, 10.0 °C" or "flats, R, 4 s"."""
    parts = [name_of(item.kind)]
    if item.kind is Kind.FLAT and item.info.filter:
        parts.append(item.info.filter)
    parts.append(exposure_words(item))
    if item.kind is Kind.DARK:
        parts.append(temperature_words(item))
    return ", ".join(parts)


def exposure_words(item: Item) -> str:
    """The exposure, or how to find it."""
    if item.kind is Kind.BIAS:
        return "shortest"
    if item.info.exposure is not None:
        return exposure_text(item.info.exposure)
    return "to half of full scale" if item.kind is Kind.FLAT else "as the flats"


def temperature_words(item: Item) -> str:
    """The sensor temperature to shoot at, where it matters."""
    if item.kind is not Kind.DARK:
        return "–"
    return show("temperature", item.info.temperature)


def added_words(value: float | None) -> str:
    """Added noise in %."""
    if value is None:
        return "–"
    return f"{100 * value:.2g} %" if value >= 1e-4 else "under 0.01 %"


def as_facts(shots: ShotList, wish: Wish) -> dict[str, Any]:
    """The list, JSON-ready."""
    return {
        "share": wish.share,
        "least": wish.least,
        "dither_positions": [
            {"lights": label, "positions": d.positions, "why": d.why}
            for label, d in shots.dithering
        ],
        "seconds": round(shots.seconds, 1),
        "items": [
            {
                "kind": i.kind.value,
                "camera": i.info.camera,
                "iso": i.info.iso,
                "gain_setting": i.info.gain_setting,
                "offset": i.info.offset,
                "exposure": None if i.kind is Kind.BIAS else i.info.exposure,
                "temperature": i.info.temperature if i.kind is Kind.DARK else None,
                "filter": i.info.filter if i.kind is Kind.FLAT else None,
                "optics": i.info.optics or i.info.lens if i.kind is Kind.FLAT else None,
                "serves": i.serves,
                "have": i.have,
                "wanted": i.wanted,
                "shoot": i.shoot,
                "added_now": i.now,
                "added_then": i.then,
                "seconds": round(i.seconds, 1),
                "when": i.when,
                "reason": i.reason,
                "notes": list(i.notes),
            }
            for i in shots.items
        ],
        "together": [{"lights": label, "added": value} for label, value in shots.together],
        "notes": list(shots.notes),
        "cautions": list(cautions(shots.items)),
    }


def write_csv(shots: ShotList, wish: Wish, path: Path) -> Path:
    """One row an item, units in the column names. Raises StoreError when it cannot be written."""
    units: Mapping[str, str] = {
        "exposure": "exposure_s",
        "temperature": "temperature_c",
        "seconds": "time_s",
    }
    rows = as_facts(shots, wish)["items"]
    with (
        atomic(path) as temporary,
        temporary.open("w", encoding="utf-8", newline="") as handle,
    ):
        writer = csv.writer(handle)
        names = list(rows[0]) if rows else []
        writer.writerow([units.get(name, name) for name in names])
        for row in rows:
            cells = ("; ".join(row[n]) if n == "notes" else row[n] for n in names)
            writer.writerow("" if c is None else c for c in cells)
    return path


def next_part(shots: ShotList, wish: Wish) -> Part:
    """The list as a part of a report: what to shoot next."""
    todo = [i for i in shots.items if i.shoot]
    blocks = [*_todo(todo, shots)]
    if todo:
        blocks.append(Text(IN_REPORT))
    blocks += [_dithering(shots), _added(shots.items)]
    return Part("What to shoot next", 75, blocks)


def write_sheet(shots: ShotList, wish: Wish, title: str, path: Path) -> Path:
    """The list as a page to print and tick off. Raises StoreError when it cannot be written."""
    todo = [i for i in shots.items if i.shoot]
    done = [i for i in shots.items if not i.shoot]
    parts = [
        Part("To shoot", 0, _todo(todo, shots)),
        Part("Safety", 1, [Bullets(cautions(shots.items), style="warnings")] if todo else []),
        Part(
            "Enough already", 2, [_table(done, "Frames that need no more", False)] if done else []
        ),
        Part("How the numbers come about", 3, list(_why(shots, wish))),
    ]
    total = sum(i.shoot for i in shots.items)
    subtitle = f"{count(total, 'frame')} to shoot, {duration(shots.seconds)}"
    return write_page(title, subtitle, parts, path)


def _todo(todo: Sequence[Item], shots: ShotList) -> list[Block]:
    if not todo:
        return [Text("Nothing: every master has frames enough.", "lead")]
    blocks: list[Block] = [_table(todo, "In the order to shoot them", True)]
    notes = [f"{title_of(i)}: {note}" for i in todo for note in i.notes]
    if notes or shots.notes:
        blocks.append(Bullets([*dict.fromkeys(notes), *shots.notes], "Notes"))
    return blocks


def _table(items: Sequence[Item], caption: str, tick: bool) -> Table:
    headings = [
        Heading("Frames", tight=True),
        Heading("Shoot", numeric=True),
        Heading("Exposure", tight=True),
        Heading("Sensor", tight=True),
        Heading("Setting", wide=True),
        Heading("When", wide=True),
        Heading("Takes", tight=True),
    ]
    cameras = {i.info.camera for i in items}
    lines = [
        Line(
            [
                Cell(f"{'☐' if tick else '✓'} {name_of(i.kind)}"),
                Cell(str(i.shoot)),
                Cell(exposure_words(i)),
                Cell(temperature_words(i)),
                Cell(settings_text(i.info, len(cameras) > 1)),
                Cell(i.when),
                Cell(duration(i.seconds) if i.shoot else "–"),
            ]
        )
        for i in items
    ]
    return Table(caption, headings, lines)


def _dithering(shots: ShotList) -> Text:
    return Text(f"Dithering: {'; '.join(shots.dithering_words)}.")


def _added(items: Sequence[Item]) -> Table:
    headings = [
        Heading("Frames", wide=True),
        Heading("There are", numeric=True),
        Heading("Add now", tight=True),
        Heading("Wanted", numeric=True),
        Heading("Add then", tight=True),
    ]
    lines = [
        Line(
            [
                Cell(title_of(i)),
                Cell(str(i.have)),
                Cell(added_words(i.now)),
                Cell(str(i.wanted)),
                Cell(added_words(i.then)),
            ]
        )
        for i in items
    ]
    return Table("Noise that each master adds to the stack", headings, lines)


def _why(shots: ShotList, wish: Wish) -> list[Block]:
    about = (
        f"So many frames of each kind that its master raises the noise of the stack by no more than "
        f"{number(100 * wish.share)} %; never fewer than {wish.least}, so that outliers "
        "can be told. Noise that is not known is not guessed."
    )
    blocks: list[Block] = [Text(about), _dithering(shots), _added(shots.items)]
    why = [f"{title_of(i)}: {i.reason}; {i.have} exist. For {i.serves}." for i in shots.items]
    blocks.append(Bullets(why, "Line by line"))
    if shots.together:
        blocks.append(
            Table(
                "What all masters together add to the stack's noise, once all is shot",
                [Heading("Lights", wide=True), Heading("Added", tight=True)],
                [Line([Cell(label), Cell(added_words(v))]) for label, v in shots.together],
            )
        )
    return blocks
