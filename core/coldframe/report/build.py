"""The report of a finished run: one HTML file that needs nothing else."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from pathlib import Path
from typing import TYPE_CHECKING

from coldframe.cautions import ALL
from coldframe.hooks import Section
from coldframe.product import atomic
from coldframe.report.blocks import Block, Bullets, Part, Table, Text
from coldframe.report.depth import depth_blocks
from coldframe.report.findings import lights
from coldframe.report.gallery import before_and_after, final_pictures, maps, master_pictures
from coldframe.report.glance import Album
from coldframe.report.measures import measure_plots
from coldframe.report.numbers import count, duration, folder_name, listing
from coldframe.report.proof import proof_blocks
from coldframe.report.record import RunRecord
from coldframe.report.registration import registration_blocks
from coldframe.report.run_tables import (
    noise_table,
    other_timings,
    pairs_table,
    product_measures_table,
    products_table,
    sources_table,
    steps_table,
)
from coldframe.report.summary import summary
from coldframe.report.tables import (
    aside_table,
    calibration_table,
    columns_table,
    lights_table,
    masters_table,
    matches_table,
    more_measures_table,
)
from coldframe.report.timeline import strip
from coldframe.report.trailing import trail_blocks

if TYPE_CHECKING:
    import jinja2

_THEORY = (
    "Noise is the robust standard deviation of one pixel of the sky. N equal lights with "
    "independent noise average to 1/√N of one light's noise; the best for lights of unequal "
    "noise is (Σ 1/σ²)^(-1/2)."
)
_ON_GRID = (
    "The lights' noise is measured after they were moved onto the stack's grid and scaled to "
    "equal star flux, so that it compares with the stack's."
)
_OFF_GRID = (
    "The lights' noise was measured before they were moved onto the stack's grid. Moving ties "
    "neighbouring pixels together and makes noise look smaller, so the stack can appear better "
    "than theory allows."
)


Maker = Callable[[], Sequence[Part]]
"""Makes parts of the report."""


def write_report(
    record: RunRecord,
    path: Path,
    extra: Sequence[Section] = (),
    further: Sequence[Maker] = (),
    executor: Executor | None = None,
) -> Path:
    """Write the report of a run to `path`, atomically, and return `path`.

    extra : sections from plugins, placed among the built-in ones by `order`. Built-in orders:
    summary 0, result 10, before and after 20, what calibration did 25, depth 30, lights 40,
    masters 50, registration 55, maps and trails 60, recipe 70, what to shoot next 75,
    safety 76, provenance 80. Their HTML is put in as it is. further, executor : see `render`.

    Raises
    ------
    StoreError
        The file cannot be written.
    """
    text = render(record, extra, further, executor)
    with atomic(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")
    return path


def write_page(title: str, subtitle: str, parts: Sequence[Part], path: Path) -> Path:
    """Write parts as a page in the report's style to `path`, atomically, and return `path`.

    Raises StoreError when the file cannot be written.
    """
    environment = _environment()
    text = environment.get_template("page.html").render(
        title=title,
        subtitle=subtitle,
        sections=[_section(environment, part) for part in parts if part.blocks],
    )
    with atomic(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")
    return path


def render(
    record: RunRecord,
    extra: Sequence[Section] = (),
    further: Sequence[Maker] = (),
    executor: Executor | None = None,
) -> str:
    """The report as HTML text. The same record gives the same text.

    further : make further parts of our own. executor : threads that make the parts, side by side.
    """
    makers = [*further, *_makers(record)]
    if executor is None:
        made = [make() for make in makers]
    else:
        made = [future.result() for future in [executor.submit(make) for make in makers]]
    environment = _environment()
    sections = [_section(environment, part) for parts in made for part in parts if part.blocks]
    sections = sorted([*sections, *extra], key=lambda section: section.order)
    return environment.get_template("page.html").render(
        title=_title(record),
        subtitle=_subtitle(record),
        sections=sections,
    )


def _environment() -> jinja2.Environment:
    import jinja2

    return jinja2.Environment(
        loader=jinja2.PackageLoader("coldframe", "report"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _section(environment: jinja2.Environment, part: Part) -> Section:
    macros = environment.get_template("blocks.html").module
    html = "".join(str(getattr(macros, block.macro)(block)) for block in part.blocks)
    return Section(part.title, part.order, html)


def _makers(record: RunRecord) -> list[Maker]:
    album = Album(record.read)
    return [
        # First, since it takes longest.
        lambda: [Part("What calibration did", 25, proof_blocks(record))],
        lambda: [Part("Result", 10, final_pictures(record, album))],
        lambda: [Part("Masters", 50, [*_masters(record), *master_pictures(record, album)])],
        lambda: [Part("Before and after", 20, before_and_after(record, album))],
        lambda: [Part("Maps and trails", 60, [*maps(record, album), *trail_blocks(record)])],
        lambda: _words_and_plots(record),
    ]


def _words_and_plots(record: RunRecord) -> list[Part]:
    """One after another: while one plot is drawn, its settings are those of the whole process."""
    return [
        summary(record),
        Part("Depth", 30, [*_noise(record), *depth_blocks(record)]),
        Part("Lights", 40, _lights(record)),
        Part("Registration", 55, registration_blocks(record)),
        Part("Recipe", 70, _recipe(record)),
        Part("Safety", 76, [Bullets([str(caution) for caution in ALL], style="warnings")]),
        Part("Provenance", 80, _provenance(record)),
    ]


def _title(record: RunRecord) -> str:
    targets = {frame.info.target for frame in lights(record) if frame.info.target}
    return listing(sorted(targets)) or listing(map(folder_name, record.nights)) or "No lights"


def _subtitle(record: RunRecord) -> str:
    nights = listing(map(folder_name, record.nights))
    cameras = {frame.info.camera for frame in lights(record) if frame.info.camera}
    parts = [f"Night {nights}" if len(record.nights) == 1 else f"Nights {nights}"] if nights else []
    return " · ".join([*parts, *sorted(cameras), f"recipe {record.recipe}"])


def _tables(*tables: Table | None) -> list[Block]:
    return [table for table in tables if table is not None]


def _noise(record: RunRecord) -> list[Block]:
    table = noise_table(record)
    if table is None:
        return []
    on_grid = any("matched_noise" in frame.measures for frame in lights(record))
    about = f"{_THEORY} {_ON_GRID if on_grid else _OFF_GRID}"
    return [Text(about), table, *_tables(product_measures_table(record))]


def _lights(record: RunRecord) -> list[Block]:
    if not lights(record):
        return [Text("No light frames were found."), *_tables(aside_table(record))]
    return [
        *_tables(aside_table(record)),
        *strip(record),
        *measure_plots(record),
        lights_table(record),
        *_tables(more_measures_table(record), columns_table(record)),
    ]


def _masters(record: RunRecord) -> list[Block]:
    tables = _tables(masters_table(record), matches_table(record), calibration_table(record))
    if not record.masters:
        return [Text("No master was made or used."), *tables]
    return [
        Text(
            "A distance says how far a master's setting is from a light's, fact by fact. Divided "
            "by the recipe's tolerance for that fact and added up, they make the total: 0 is a "
            "perfect match, 1 is one whole tolerance away. A fact known on one side only counts 1."
        ),
        *tables,
    ]


def _recipe(record: RunRecord) -> list[Block]:
    why = f"Chosen because: {record.why_recipe}" if record.why_recipe else ""
    words = [f"Recipe {record.recipe}", record.about, why]
    versions = dict(record.versions)
    other = other_timings(record)
    return [
        Text(". ".join(word.rstrip(".") for word in words if word) + "."),
        *_tables(
            steps_table(record),
            pairs_table("Processor time outside the steps", other, ("What", "Time")),
            pairs_table("Versions", versions, ("Package", "Version")),
        ),
        Text(
            f"The run took {duration(record.elapsed)}; the times of the steps are work added up "
            "over all workers, so together they may be more.",
            "soft",
        ),
    ]


def _provenance(record: RunRecord) -> list[Block]:
    tables = _tables(products_table(record), sources_table(record))
    if not tables:
        return []
    return [
        Text(
            f"Made from {count(len(record.frames), 'source frame')}. A key names a product by all "
            "that went into it: step, version, parameters and inputs. A digest names a file by "
            "its bytes."
        ),
        *tables,
    ]
