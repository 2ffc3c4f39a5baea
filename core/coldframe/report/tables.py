"""The report's tables of frames and masters, row by row from the run's record."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from coldframe.facts import describe
from coldframe.report.advice import bring_back
from coldframe.report.blocks import Cell, Heading, Line, Table
from coldframe.report.findings import (
    in_time,
    lights,
    master_uses,
    measure_names,
    others,
    worst_uses,
)
from coldframe.report.numbers import folder_name, moment, number
from coldframe.report.record import FrameRecord, MasterUse, ProductRecord, RunRecord

MAIN_MEASURES = (
    "sky",
    "noise",
    "stars",
    "fwhm",
    "roundness",
    "weight",
    "residual",
)
"""Measures that the table of lights shows first and that are plotted over time."""

_DISTANCE_UNITS = {
    "exposure": "s",
    "temperature": "°C",
    "age_days": "d",
    "focal_length": "mm",
}
_SHOWN = {"deg": "°", "count": "", "ratio": ""}
_TITLES = {"fwhm": "FWHM", "age_days": "age"}


def title(name: str) -> str:
    """A measure's name as a heading has it."""
    return _TITLES.get(name, name.replace("_", " ").capitalize())


def unit(record: RunRecord, name: str) -> str:
    """A measure's unit as shown, "" where it has none."""
    column = record.columns.get(name)
    return _SHOWN.get(column.unit, column.unit) if column else ""


def numeric(value: float | None) -> Cell:
    return Cell(number(value), repr(float(value)) if value is not None else "")


def _measures(frame: FrameRecord | ProductRecord, names: Sequence[str]) -> list[Cell]:
    return [numeric(frame.measures.get(name)) for name in names]


def _measure_headings(record: RunRecord, names: Sequence[str]) -> list[Heading]:
    return [Heading(title(name), unit(record, name), numeric=True) for name in names]


def lights_table(record: RunRecord) -> Table:
    """Every light, used or not, with what was measured."""
    frames = lights(record)
    names = [n for n in measure_names(frames, MAIN_MEASURES) if n in MAIN_MEASURES]
    several = len({frame.info.night for frame in frames}) > 1
    headings = [
        Heading("Light", tight=True),
        *([Heading("Night")] if several else []),
        Heading("Start", "UTC", tight=True),
        Heading("Exposure", "s", numeric=True),
        Heading("Temperature", "°C", numeric=True),
        Heading("Used", tight=True),
        *_measure_headings(record, names),
    ]
    lines = [
        Line(
            [
                Cell(frame.info.label),
                *([Cell(folder_name(frame.info.night) or "–")] if several else []),
                Cell(moment(frame.info.start)),
                numeric(frame.info.exposure),
                numeric(frame.info.temperature),
                Cell("yes" if frame.used else "set aside"),
                *_measures(frame, names),
            ],
            mark="" if frame.used else "aside",
        )
        for frame in frames
    ]
    return Table("All lights, with what was measured on each", headings, lines, sortable=True)


def more_measures_table(record: RunRecord) -> Table | None:
    """The measures that the main table has no room for; None when there are none."""
    frames = lights(record)
    names = [n for n in measure_names(frames, MAIN_MEASURES) if n not in MAIN_MEASURES]
    if not names:
        return None
    headings = [
        Heading("Light", tight=True),
        Heading("Used", tight=True),
        *_measure_headings(record, names),
    ]
    lines = [
        Line(
            [
                Cell(frame.info.label),
                Cell("yes" if frame.used else "set aside"),
                *_measures(frame, names),
            ],
            mark="" if frame.used else "aside",
        )
        for frame in frames
    ]
    return Table("More measures of each light", headings, lines, sortable=True, folded=True)


def aside_table(record: RunRecord) -> Table | None:
    """Every frame of any kind that was set aside, and why; None when there is none."""
    aside = [frame for frame in in_time(record.frames) if not frame.used]
    if not aside:
        return None
    headings = [
        Heading("Frame"),
        Heading("Kind"),
        Heading("Why", wide=True),
        Heading("How to use it anyway", wide=True),
        Heading("Step"),
    ]
    lines = [
        Line(
            [
                Cell(frame.info.label),
                Cell(frame.info.kind.value if frame.info.kind else "unknown"),
                Cell(frame.reason or "no reason recorded"),
                Cell(bring_back(record, frame)),
                Cell(frame.step or "–"),
            ]
        )
        for frame in aside
    ]
    return Table("Frames that were set aside, and why", headings, lines, sortable=True)


def columns_table(record: RunRecord) -> Table | None:
    """What each measure means."""
    names = measure_names(lights(record), MAIN_MEASURES)
    known = [name for name in names if name in record.columns]
    if not known:
        return None
    lines = [
        Line([Cell(title(n)), Cell(unit(record, n) or "none"), Cell(record.columns[n].about)])
        for n in known
    ]
    return Table(
        "What the measures mean",
        [Heading("Measure"), Heading("Unit"), Heading("Meaning", wide=True)],
        lines,
        folded=True,
    )


def masters_table(record: RunRecord) -> Table | None:
    """Every master with the frames behind it and how well it suits the lights it served."""
    if not record.masters:
        return None
    served = master_uses(record)
    worst = worst_uses(record)
    headings = [
        Heading("Master"),
        Heading("Kind"),
        Heading("Frames", numeric=True),
        Heading("Noise", unit(record, "noise") or "ADU", numeric=True),
        Heading("Frames served", numeric=True),
        Heading("Light it suits least", tight=True),
        Heading("Distance from it in each fact", wide=True),
        Heading("In all", "tolerances", numeric=True),
        Heading("Remarks", wide=True),
    ]
    lines = []
    for master in record.masters:
        frame, use = worst.get(master.id, (None, None))
        lines.append(
            Line(
                [
                    Cell(master.label),
                    Cell(master.info.kind.value if master.info.kind else "–"),
                    numeric(float(len(master.frames))),
                    numeric(master.measures.get("noise")),
                    numeric(float(len(served.get(master.id, ())))),
                    Cell(frame.info.label if frame else "–"),
                    Cell(distances(use) if use else "–"),
                    numeric(use.total if use else None),
                    Cell((use.note if use else "") or "–"),
                ]
            )
        )
    return Table("Masters", headings, lines)


def matches_table(record: RunRecord) -> Table | None:
    """Which master served which light, fact by fact."""
    labels = {master.id: master.label for master in record.masters}
    headings = [
        Heading("Light", tight=True),
        Heading("Kind"),
        Heading("Master"),
        Heading("Distance in each fact", wide=True),
        Heading("Total", "tolerances", numeric=True),
        Heading("Remarks"),
    ]
    lines = [
        Line(
            [
                Cell(frame.info.label),
                Cell(use.kind),
                Cell(labels.get(use.product, use.product[:12])),
                Cell(distances(use)),
                numeric(use.total),
                Cell(use.note or "–"),
            ],
            mark="" if frame.used else "aside",
        )
        for frame in lights(record)
        for use in frame.masters
    ]
    if not lines:
        return None
    return Table("Masters of each light", headings, lines, sortable=True, folded=True)


def distances(use: MasterUse) -> str:
    """How far off a master is, fact by fact, with units."""
    words = [
        f"{title(name).lower()} {number(value, 3)} {_DISTANCE_UNITS.get(name, '')}".rstrip()
        for name, value in use.distances.items()
    ]
    return ", ".join(words) or "–"


def calibration_table(record: RunRecord) -> Table | None:
    """The frames that are not lights, by kind and setting."""
    groups: dict[tuple[str, str, str], Counter[bool]] = {}
    for frame in others(record):
        kind = frame.info.kind.value if frame.info.kind else "unknown"
        setting = describe(frame.info, ("camera", "filter", "exposure", "iso", "gain_setting"))
        groups.setdefault((kind, setting, folder_name(frame.info.night) or "–"), Counter())[
            frame.used
        ] += 1
    if not groups:
        return None
    headings = [
        Heading("Kind"),
        Heading("Setting", wide=True),
        Heading("Night or folder"),
        Heading("Used", numeric=True),
        Heading("Set aside", numeric=True),
    ]
    lines = [
        Line(
            [
                *map(Cell, key),
                numeric(float(tally[True])),
                numeric(float(tally[False])),
            ]
        )
        for key, tally in sorted(groups.items())
    ]
    return Table("Calibration frames found", headings, lines)
