"""The report's tables of results, recipe and provenance, row by row from the run's record."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from coldframe.facts import describe
from coldframe.frame import FrameInfo
from coldframe.report.blocks import Cell, Heading, Line, Table
from coldframe.report.findings import in_time, lights, results
from coldframe.report.noise import NoiseFigures, noise_figures
from coldframe.report.numbers import duration, listing
from coldframe.report.record import RunRecord
from coldframe.report.tables import numeric, title, unit


def noise_table(record: RunRecord) -> Table | None:
    """Noise of each stack next to theory."""
    figures = [noise_figures(result.stack, lights(record)) for result in results(record)]
    if not figures:
        return None
    headings = [
        Heading("Stack"),
        *(
            Heading(*words, numeric=True)
            for words in (
                ("Lights", ""),
                ("Noise of one light", "ADU, median"),
                ("Noise of the stack", "ADU"),
                ("Improvement", "times"),
                ("Best possible", "times"),
                ("Improvement / best", "%"),
                ("Best for these lights", "ADU"),
                ("Stack / best", ""),
            )
        ),
    ]
    return Table("Noise of each stack, next to theory", headings, [_noise_line(f) for f in figures])


def _noise_line(f: NoiseFigures) -> Line:
    share = None if f.share is None else 100 * f.share
    values = (f.single, f.stacked, f.improvement, f.possible, share, f.best, f.over_best)
    return Line([Cell(f.stack.label), numeric(float(f.frames)), *map(numeric, values)])


def product_measures_table(record: RunRecord) -> Table | None:
    """Everything that the steps measured on stacks and final products."""
    lines = [
        Line(
            [
                Cell(product.label),
                Cell(product.step),
                Cell(title(name)),
                numeric(value),
                Cell(unit(record, name) or "–"),
            ]
        )
        for product in record.products
        for name, value in product.measures.items()
    ]
    if not lines:
        return None
    headings = [
        Heading("Product"),
        Heading("Step"),
        Heading("Measure"),
        Heading("Value", numeric=True),
        Heading("Unit"),
    ]
    return Table("Measures of the stacks", headings, lines, folded=True)


def steps_table(record: RunRecord) -> Table | None:
    """The recipe's steps in order, every parameter spelt out."""
    if not record.steps:
        return None
    headings = [
        Heading("Step"),
        Heading("Uses"),
        Heading("Masters"),
        Heading("Parameters", wide=True),
        Heading("Processor time", "all cores", numeric=True),
    ]
    lines = [
        Line(
            [
                Cell(str(step["id"])),
                Cell(str(step.get("use", "–"))),
                Cell(listing(map(str, step.get("masters") or ())) or "–"),
                Cell(_params(step.get("params") or {})),
                _time(record.timings.get(str(step["id"]))),
            ]
        )
        for step in record.steps
    ]
    return Table("Steps", headings, lines)


def _time(seconds: float | None) -> Cell:
    return Cell(duration(seconds), "" if seconds is None else repr(float(seconds)))


def _params(params: Mapping[str, Any]) -> str:
    return "; ".join(f"{name}: {_plain(value)}" for name, value in params.items()) or "–"


def _plain(value: Any) -> str:
    if isinstance(value, str):
        return value or '""'
    return json.dumps(value, default=str, ensure_ascii=False)


def pairs_table(caption: str, pairs: Mapping[str, str], headings: tuple[str, str]) -> Table | None:
    """Two columns of text."""
    if not pairs:
        return None
    lines = [Line([Cell(name), Cell(value)]) for name, value in pairs.items()]
    return Table(caption, [Heading(headings[0]), Heading(headings[1])], lines)


def other_timings(record: RunRecord) -> Mapping[str, str]:
    """Work that belongs to no step of the recipe, such as reading and writing."""
    ids = {str(step["id"]) for step in record.steps}
    return {name: duration(s) for name, s in record.timings.items() if name not in ids}


def products_table(record: RunRecord) -> Table | None:
    """What was made from what, with the keys that name each product in the store."""
    made = [*record.masters, *record.products]
    if not made:
        return None
    headings = [
        Heading("Product"),
        Heading("Step"),
        Heading("Source frames", numeric=True),
        Heading("Files written"),
        Heading("Planes"),
        Heading("Key in the store"),
    ]
    lines = [
        Line(
            [
                Cell(product.label),
                Cell(f"{product.step} ({product.uses})"),
                numeric(float(len(product.frames))),
                Cell("\n".join(product.files) or "–"),
                Cell(", ".join(product.planes) or "–"),
                Cell(product.id),
            ]
        )
        for product in made
    ]
    return Table("Products", headings, lines)


def sources_table(record: RunRecord) -> Table | None:
    """Every source frame with the digest of its bytes."""
    if not record.frames:
        return None
    headings = [
        Heading("File"),
        Heading("Kind"),
        Heading("Why this kind", wide=True),
        Heading("Setting", wide=True),
        Heading("Digest (BLAKE2b)"),
    ]
    lines = [
        Line(
            [
                Cell(_place(frame.info)),
                Cell(frame.info.kind.value if frame.info.kind else "unknown"),
                Cell(frame.info.kind_reason or "–"),
                Cell(describe(frame.info, ("camera", "filter", "exposure", "iso", "temperature"))),
                Cell(frame.info.digest or "–"),
            ],
            mark="" if frame.used else "aside",
        )
        for frame in in_time(record.frames)
    ]
    return Table("Source frames", headings, lines, folded=True)


def _place(info: FrameInfo) -> str:
    """File name with its two innermost folders: enough to find it, and a report that is passed on
    tells nothing of the rest of the disk."""
    folder = info.path.replace("\\", "/").split("/")[-3:-1]
    return "/".join([*(part for part in folder if part), info.label])
