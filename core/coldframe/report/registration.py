"""How well the lights lie on each other: what is left of the stars' shifts, over the field."""

from __future__ import annotations

from typing import Any

import numpy as np

from coldframe.report.blocks import Block, Plots, Text
from coldframe.report.figures import probe
from coldframe.report.numbers import count, number
from coldframe.report.plots import ASIDE, FAINT, INK, RC, USED, page_svg
from coldframe.report.record import RunRecord

_SIZE = 5.6  # inches wide
_LONGEST = 0.06  # of the field: what the arrow of the 95th percentile takes
_ROUND = (1, 2, 5)
_LEAST = 8  # stars; fewer tell nothing of the field


def registration_blocks(record: RunRecord) -> list[Block]:
    """Arrows over the field and their size; nothing where stars were not measured."""
    numbers = probe(record, "stars")
    if not numbers:
        return []
    y, x = numbers["star_y"], numbers["star_x"]
    dy, dx = numbers["move_y"], numbers["move_x"]
    seen = np.isfinite(dy).sum(axis=0) > 0
    if seen.sum() < _LEAST:
        return []
    mean = np.stack([np.nanmean(d[:, seen], axis=0) for d in (dy, dx)])
    # What all stars share is a shift of the stack's own centres: it blurs nothing.
    mean = mean - np.median(mean, axis=1, keepdims=True)
    each = np.sqrt(np.nanmean(dy**2 + dx**2))
    over = float(np.sqrt(np.mean(mean**2 * 2)))
    lights = count(len(dy), "light")
    return [
        Text(
            f"{count(int(seen.sum()), 'bright star')} of {lights} spread over the night lie "
            f"{number(float(each), 2)} px (rms) from where the stack has them. Averaged over those "
            f"lights {number(over, 2)} px are left; where arrows of neighbouring stars point the "
            "same way, the map between frames does not follow the optics there."
        ),
        Plots(
            [
                (
                    "Where registered stars lie, next to the stack",
                    _plot(numbers["shape"], y[seen], x[seen], mean),
                )
            ],
            "Residual vectors of registration",
        ),
    ]


def _plot(shape: Any, y: Any, x: Any, move: Any) -> str:
    import matplotlib
    from matplotlib.figure import Figure

    height, width = map(float, shape)
    usual = float(np.percentile(np.hypot(*move), 95)) or 1e-3
    scale = _LONGEST * width / usual
    known = 10.0 ** np.floor(np.log10(usual))
    bar = max((r * known for r in _ROUND if r * known <= usual), default=known)
    with matplotlib.rc_context(RC):
        figure = Figure(figsize=(_SIZE, _SIZE * height / width + 0.35))
        axes = figure.add_axes((0.01, 0.01, 0.98, 0.98 - 0.35 / (_SIZE * height / width + 0.35)))
        figure.patch.set_visible(False)
        axes.patch.set_visible(False)
        axes.set(xlim=(0, width), ylim=(height, 0), xticks=[], yticks=[], aspect="equal")
        for spine in axes.spines.values():
            spine.set_color(FAINT)
        axes.quiver(
            x, y, move[1] * scale, move[0] * scale, angles="xy", scale_units="xy", scale=1,
            color=USED, width=0.0022, headwidth=5, headlength=6,
        )  # fmt: skip
        axes.plot([0, bar * scale], [-0.03 * height] * 2, color=ASIDE, linewidth=1.6, clip_on=False)
        axes.text(
            bar * scale + 0.01 * width, -0.03 * height, f"{number(float(bar), 2)} px", color=INK,
            va="center", clip_on=False,
        )  # fmt: skip
    about = f"An arrow for each of {x.size} stars; 95 of 100 are shorter than {number(usual, 2)} px"
    return page_svg(figure, "vectors", "Residual vectors of registration", about, {})
