"""The comparison as one HTML page, with pictures that blink."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy import ndimage

from coldframe.comparing.compare import Compared
from coldframe.comparing.figures import Comparison, Figure
from coldframe.comparing.folder import RunFolder
from coldframe.frame import Flag, Frame
from coldframe.report.blocks import (
    Block,
    Bullets,
    Cell,
    Heading,
    Line,
    Part,
    Picture,
    Pictures,
    Table,
    Text,
)
from coldframe.report.build import write_page
from coldframe.report.glance import CROP
from coldframe.report.numbers import number
from coldframe.report.pictures import fit, moved, picture, skies
from coldframe.stretch import preview

WHOLE = 1400  # px, longest side


def laid_on(compared: Compared) -> Frame:
    """B on A's pixels, in A's units of star light; linear interpolation, for looking at."""
    a, b, shared = compared.a, compared.b, compared.shared
    data = b.channels / np.float32(compared.flux)
    flags = b.flags
    if not shared.same_grid or a.shape != b.shape:
        moves = (shared.matrix, shared.shift, a.shape)
        data = np.stack([ndimage.affine_transform(c, *moves, order=1) for c in data])
        flags = ndimage.affine_transform(flags, *moves, order=0, cval=int(Flag.NO_DATA))
    info = replace(b.info, shape=a.shape)
    return Frame(data if b.data.ndim == 3 else data[0], flags, info)


def blink(compared: Compared) -> list[Block]:
    """Pictures of both, whole and the middle at full size, on one stretch."""
    if compared.a.data.ndim != compared.b.data.ndim:
        return [Text("One is in colour and the other is not: there is no picture of both.")]
    a, b = compared.a, laid_on(compared)
    wholes = [preview(frame, WHOLE) for frame in (a, b)]
    crops = [_middle(frame) for frame in (a, b)]
    blocks: list[Block] = []
    views = [(wholes, "The whole field", "The whole field.")]
    if crops[0].shape != wholes[0].shape:
        views.append((crops, "The middle at full size", "The middle of the field at full size."))
    for shown, title, caption in views:
        stretch = fit(shown[0])
        if stretch is None:
            continue
        sky = [skies(frame) for frame in shown]
        pictures: list[Picture] = [
            picture(
                frame,
                moved(stretch, sky[0], own),
                name=name,
                caption=caption,
                alt=f"{name}: {caption}",
                exact=shown is crops,
            )
            for name, frame, own in zip("AB", shown, sky, strict=True)
        ]
        about = "Both have the same stretch, each about its own sky, at equal star light."
        blocks.append(Pictures(pictures, title, about, layout="pair blink"))
    return blocks


def _middle(frame: Frame) -> Frame:
    """The middle of a frame, no larger than a report's crops."""
    rows, columns = (
        slice((have - min(have, size)) // 2, (have + min(have, size)) // 2)
        for have, size in zip(frame.shape, CROP, strict=True)
    )
    return Frame(frame.data[..., rows, columns], frame.flags[rows, columns], frame.info)


def comparison_part(compared: Compared, order: int) -> Part:
    """The verdicts, figures and pictures of one target and filter."""
    told = compared.comparison
    blocks: list[Block] = [Bullets(sentences(told)), _table(told)]
    blocks += [Bullets(told.notes, style="warnings")] if told.notes else []
    return Part(told.name, order, [*blocks, *blink(compared)])


def sentences(told: Comparison) -> list[str]:
    """One sentence for each figure."""
    return [f"{figure.word.capitalize()}: {figure.verdict}." for figure in told.figures]


def _table(told: Comparison) -> Table:
    headings = [
        Heading("Figure", wide=True),
        Heading("A", numeric=True),
        Heading("B", numeric=True),
        Heading("Unit", tight=True),
        Heading("Measures better", tight=True),
        Heading("By", "%", numeric=True),
        Heading("95% interval", "%", tight=True),
    ]
    lines = [figure_line(figure) for figure in told.figures]
    a, b, both = told.lights
    lights = f"{a} lights in A, {b} in B, {both} in both; {told.stars} stars in both"
    return Table(f"Figures: {lights}; lower is better", headings, lines)


def figure_line(figure: Figure) -> Line:
    """One figure as a line of the table."""
    return Line(
        [
            Cell(figure.what[0].upper() + figure.what[1:]),
            Cell(number(figure.a, 3)),
            Cell(number(figure.b, 3)),
            Cell(figure.unit),
            Cell(figure.ahead or "–"),
            Cell(number(figure.lead, 2)),
            Cell(interval_text(figure)),
        ]
    )


def interval_text(figure: Figure) -> str:
    """The interval in per cent, or a dash."""
    if figure.lead_range is None:
        return "–"
    low, high = figure.lead_range
    return f"{number(low, 2)} to {number(high, 2)}"


def about_part(
    runs: Sequence[RunFolder], differing: Sequence[str], warnings: Sequence[str]
) -> Part:
    """Which runs these are."""
    blocks: list[Block] = [
        Bullets([f"{letter}: {run.name}, recipe {run.recipe}" for letter, run in zip("AB", runs, strict=True)])
    ]  # fmt: skip
    if warnings:
        blocks.append(Bullets(warnings, style="warnings"))
    if differing:
        blocks.append(Bullets(differing, "Set otherwise in B"))
    blocks.append(
        Text(
            "Deeper: how much fainter a spread-out source shows. Sharper: how wide stars are. "
            "Flatter: what is left of gradients in the sky; a nebula that fills the field counts as "
            "one. Intervals come from lights drawn anew (flatness: from parts of the sky); one that "
            "holds 0 is no difference.",
            "soft",
        )
    )
    return Part("What is compared", 0, blocks)


def write_comparison(
    runs: Sequence[RunFolder],
    parts: Sequence[Part],
    differing: Sequence[str],
    warnings: Sequence[str],
    path: Path,
) -> Path:
    """Write the page, atomically. Raises StoreError when it cannot be written."""
    names = [run.name for run in runs]
    return write_page(
        f"{names[0]} and {names[1]}",
        "A comparison of two runs",
        [about_part(runs, differing, warnings), *parts],
        path,
    )
