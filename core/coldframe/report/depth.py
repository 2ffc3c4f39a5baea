"""The noise curve: how the stack's noise fell with its lights, and what more of them would bring."""

from __future__ import annotations

import numpy as np

from coldframe.cautions import IN_REPORT
from coldframe.report.blocks import Block, Cell, Heading, Line, Plots, Table, TargetDepth, Text
from coldframe.report.figures import Depth, depth
from coldframe.report.numbers import count, duration, listing, number
from coldframe.report.record import RunRecord
from coldframe.report.tables import numeric
from coldframe.report.xyplot import Curve, Marks, log_plot

_WISHES = (0.25, 0.5, 0.75, 1.0, 1.5)  # mag
_MOST = 100_000  # lights; nobody takes more


def depth_blocks(record: RunRecord) -> list[Block]:
    """The curve, its table, and lights needed for a target depth."""
    found = depth(record)
    if found is None or found.lights < 2:
        return []
    return [
        Text(_said(found)),
        Plots([("Noise of the stack over the number of its lights", _plot(found))], "Noise curve"),
        _table(found),
        _wishes(found),
        Text(IN_REPORT),
        TargetDepth(found.spread, found.floor**2, found.lights, found.exposure),
    ]


def _said(d: Depth) -> str:
    ideal = d.noise[0] / d.lights**0.5
    text = (
        f"The same lights were stacked 1, 2, 4, ... at a time, as the recipe stacks them. One light "
        f"of typical noise has {number(d.noise[0], 3)} ADU of noise; {d.lights} of them would have "
        f"{number(ideal, 3)} ADU by 1/√N and have {number(d.noise[-1], 3)} ADU. "
    )
    if not d.floors:
        return text + "What the masters add is not known."
    parts = listing(f"{number(value, 2)} ADU from the {kind}" for kind, value in d.floors.items())
    places = (
        "one dither position" if d.positions < 1.5 else f"{number(d.positions, 2)} dither positions"
    )
    return text + (
        f"The masters' own noise sets a floor of {number(d.floor, 2)} ADU ({parts}) that no number "
        f"of lights at {places} gets below: more frames in the masters, or more "
        "dithering, lower it."
    )


def _plot(d: Depth) -> str:
    ends = np.geomspace(1, 4 * d.lights, 40)
    curves = [Curve(ends.tolist(), (d.noise[0] / np.sqrt(ends)).tolist(), "1/√N", below=True)]
    if d.floors:
        model = [d.expected(n) for n in ends[ends >= d.lights]]
        curves.append(Curve(ends[ends >= d.lights].tolist(), model, "", dashed=True))
        if d.floor > 0.1 * d.noise[-1]:
            curves.append(
                Curve([1.0, 4.0 * d.lights], [d.floor] * 2, "floor of the masters", dashed=True)
            )
    titles = [
        f"{count(n, 'light')}: {number(s, 3)} ADU" + (f" ± {number(e, 2)}" if e else "")
        for n, s, e in zip(d.frames, d.noise, d.scatter, strict=True)
    ]
    return log_plot(
        [Marks([float(n) for n in d.frames], d.noise, titles)],
        curves,
        ("lights", "noise of a pixel, ADU"),
        "Noise of the stack over the number of its lights",
        f"Measured noise falls from {number(d.noise[0], 3)} ADU with one light to "
        f"{number(d.noise[-1], 3)} ADU with {d.lights}",
        "depth",
        (4.2, 3.0),
    )


def _table(d: Depth) -> Table:
    headings = [
        Heading("Lights", numeric=True),
        Heading("Noise", "ADU", numeric=True),
        Heading("Spread over choices of lights", "ADU", numeric=True),
        Heading("1/√N", "ADU", numeric=True),
        Heading("Noise / (1/√N)", numeric=True),
    ]
    lines = [
        Line(
            [
                numeric(float(n)),
                numeric(noise),
                numeric(scatter or None),
                numeric(d.noise[0] / n**0.5),
                numeric(noise * n**0.5 / d.noise[0]),
            ]
        )
        for n, noise, scatter in zip(d.frames, d.noise, d.scatter, strict=True)
    ]
    return Table("Noise of stacks of some of the lights", headings, lines, folded=True)


def _wishes(d: Depth) -> Table:
    headings = [
        Heading("Deeper by", "mag", numeric=True),
        Heading("Noise", "ADU", numeric=True),
        Heading("Lights in all", numeric=True),
        Heading("More lights", numeric=True),
        Heading("More exposure", tight=True),
    ]
    lines = []
    for wish in _WISHES:
        noise = d.noise[-1] * 10 ** (-0.4 * wish)
        needed = d.needed(noise)
        cells = [numeric(wish), numeric(noise)]
        if needed is None or needed > _MOST:
            cells += [Cell("out of reach"), Cell("–"), Cell("below what the masters allow")]
        else:
            more = max(0, needed - d.lights)
            time = duration(more * d.exposure) if d.exposure else "–"
            cells += [numeric(float(needed)), numeric(float(more)), Cell(time)]
        lines.append(Line(cells))
    return Table("Lights that a target depth takes, under the same sky", headings, lines)
