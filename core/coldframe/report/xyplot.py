"""A plot of points and lines on two logarithmic axes, as inline SVG in the page's colours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from coldframe.report.numbers import number
from coldframe.report.plots import ASIDE, FAINT, INK, RC, USED, page_svg

_SIZE = (5.6, 3.6)  # inches


@dataclass(frozen=True, slots=True)
class Marks:
    """Points of one kind. `used` ones are dots, the others crosses; titles show on hover."""

    x: Sequence[float]
    y: Sequence[float]
    titles: Sequence[str]
    used: bool = True


@dataclass(frozen=True, slots=True)
class Curve:
    """A line through points, with its name at its end."""

    x: Sequence[float]
    y: Sequence[float]
    name: str
    dashed: bool = False
    below: bool = False  # the name stands under the line


def log_plot(
    marks: Sequence[Marks],
    curves: Sequence[Curve],
    labels: tuple[str, str],
    title: str,
    about: str,
    mark: str,
    size: tuple[float, float] = _SIZE,
) -> str:
    """Points and curves on logarithmic axes, as an `<svg>` element.

    labels : of the x and the y axis, with units. about : the plot in a sentence, for those who
    cannot see it. mark : starts every id in the drawing; must differ between plots of a page.
    size : inches.
    """
    import matplotlib
    from matplotlib.figure import Figure

    titles: dict[str, list[str]] = {}
    with matplotlib.rc_context(RC):
        figure = Figure(figsize=size)
        axes = figure.add_axes((0.15, 0.14, 0.82, 0.8))
        figure.patch.set_visible(False)
        axes.patch.set_visible(False)
        axes.set_xscale("log")
        axes.set_yscale("log")
        for side, spine in axes.spines.items():
            spine.set_visible(side in ("bottom", "left"))
            spine.set_color(FAINT)
        axes.grid(True, color=FAINT, linewidth=0.5)
        axes.set_axisbelow(True)
        axes.tick_params(which="both", color=FAINT, labelcolor=INK, length=2.5, width=0.6)
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_locator(matplotlib.ticker.LogLocator(subs=(1.0, 2.0, 5.0), numticks=8))
            axis.set_minor_locator(matplotlib.ticker.NullLocator())
            axis.set_major_formatter(lambda v, _: number(v))
        for curve in curves:
            style = (0, (4, 3)) if curve.dashed else "-"
            axes.plot(curve.x, curve.y, color=INK, linewidth=0.9, linestyle=style)
            axes.annotate(
                curve.name,
                (curve.x[-1], curve.y[-1]),
                xytext=(-4, -11 if curve.below else 4),
                textcoords="offset points",
                ha="right",
                color=INK,
            )
        for i, group in enumerate(marks):
            gid = f"points{i}"
            titles[gid] = list(group.titles)
            axes.plot(
                group.x,
                group.y,
                linestyle="",
                marker="o" if group.used else "x",
                markersize=3.6 if group.used else 5,
                markeredgewidth=0 if group.used else 1.3,
                color=USED if group.used else ASIDE,
                gid=f"{mark}-{gid}",
            )
        axes.set_xlabel(labels[0], color=INK, labelpad=2)
        axes.set_ylabel(labels[1], color=INK, labelpad=2)
    return page_svg(figure, mark, title, about, titles)
