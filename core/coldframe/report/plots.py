"""Plots of per-frame measures as inline SVG that takes its colours from the page's style sheet."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

from coldframe.report.findings import in_time
from coldframe.report.numbers import moment, number
from coldframe.report.record import FrameRecord

_SIZE = (3.75, 2.0)  # inches; about the width of a phone, so that the text stays readable there
_TICK_MINUTES = (1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360, 720)
_MOST_TICKS = 6
_MOST_TITLES = 1000  # more of them would make the page heavy
# Drawn in colours that occur nowhere else, then swapped for the page's own variables, so that one
# drawing suits the light and the dark theme.
INK, FAINT, USED, ASIDE = "#0a0001", "#0a0002", "#0a0003", "#0a0004"
_VARIABLES = {
    INK: "var(--soft)",
    FAINT: "var(--rule)",
    USED: "var(--used)",
    ASIDE: "var(--aside)",
}
RC: Any = {
    "svg.fonttype": "none",  # text stays text
    "font.size": 8.5,
    "path.simplify": False,
}


@dataclass(frozen=True, slots=True)
class Axis:
    """Where each frame stands along x, with the ticks to draw."""

    places: Sequence[float]
    ticks: Sequence[tuple[float, str]]
    label: str
    borders: Sequence[float] = ()  # between nights


def time_axis(frames: Sequence[FrameRecord]) -> Axis:
    """UTC time of day for one night whose every frame has a time; else the frame's number."""
    starts = [frame.info.start for frame in frames]
    nights = [frame.info.night for frame in frames]
    known = [start for start in starts if start is not None]
    if len(known) == len(frames) > 1 and len(set(nights)) == 1:
        day = min(known).replace(hour=0, minute=0, second=0, microsecond=0)
        minutes = [(start - day).total_seconds() / 60 for start in known]
        low, high = min(minutes), max(minutes)
        if 0 < high - low < 48 * 60:
            return Axis(minutes, _clock_ticks(low, high), "UTC")
    places = [float(i) for i in range(1, len(frames) + 1)]
    borders = [i + 0.5 for i in range(1, len(frames)) if nights[i] != nights[i - 1]]
    step = max(1, math.ceil(len(frames) / _MOST_TICKS))
    ticks = [(p, f"{int(p)}") for p in places if p == 1 or (p % step == 0 and p > step / 2)]
    return Axis(places, ticks, "light number, in order of time", borders)


def _clock_ticks(low: float, high: float) -> list[tuple[float, str]]:
    step = next((s for s in _TICK_MINUTES if (high - low) / s < _MOST_TICKS), _TICK_MINUTES[-1])
    first = math.ceil(low / step) * step
    at = range(first, math.floor(high) + 1, step)
    return [(float(m), f"{m // 60 % 24:02d}:{m % 60:02d}") for m in at]


def measure_plot(
    frames: Sequence[FrameRecord],
    value: Callable[[FrameRecord], float | None],
    name: str,
    unit: str,
    mark: str,
) -> str | None:
    """One measure of the lights over time, as an `<svg>` element.

    Parameters
    ----------
    frames : the lights. value : the measure of one of them, None where there is none.
    mark : starts every id inside the drawing; must differ between the plots of a page.

    Returns
    -------
    The SVG text, or None when no frame has the measure. Frames that were set aside are drawn as
    crosses; those without a value stand on the base line.
    """
    frames = in_time(frames)
    values = [value(frame) for frame in frames]
    usable = [v is not None and math.isfinite(v) for v in values]
    if not any(usable):
        return None
    axis = time_axis(frames)
    figure, axes = _blank(axis)
    titles: dict[str, list[str]] = {}
    ids: dict[str, list[str]] = {}
    known = [v for v, ok in zip(values, usable, strict=True) if ok and v is not None]
    low, high = _padded(min(known), max(known))
    axes.set_ylim(low, high)
    for group, used, measured in (
        ("used", True, True),
        ("aside", False, True),
        ("unmeasured", False, False),
    ):
        chosen = [
            i for i, frame in enumerate(frames) if frame.used is used and usable[i] is measured
        ]
        titles[group] = [_title(frames[i], values[i], unit) for i in chosen]
        ids[group] = [frames[i].id for i in chosen]
        axes.plot(
            [axis.places[i] for i in chosen],
            [values[i] if measured else low for i in chosen],
            linestyle="",
            marker="o" if used else "x",
            markersize=3.4 if used else 5,
            markeredgewidth=0 if used else 1.3,
            color=USED if used else ASIDE,
            clip_on=False,
            gid=f"{mark}-{group}",
        )
    count_used = len(titles["used"])
    used_values = [v for v, f, ok in zip(values, frames, usable, strict=True) if ok and f.used]
    about = f"{name} of {count_used} lights used"
    numbers = [v for v in used_values if v is not None]
    if numbers:
        about += f", from {number(min(numbers))} to {number(max(numbers))} {unit}".rstrip()
    about += f"; {len(frames) - sum(f.used for f in frames)} set aside"
    return page_svg(figure, mark, f"{name} over time", about, titles, ids)


def _padded(low: float, high: float) -> tuple[float, float]:
    room = (high - low) * 0.08 or abs(high) * 0.05 or 1.0
    return low - room, high + room


def _title(frame: FrameRecord, value: float | None, unit: str) -> str:
    shown = "not measured" if value is None else f"{number(value)} {unit}".strip()
    when = f", {moment(frame.info.start)} UTC" if frame.info.start else ""
    return f"{frame.info.label}: {shown}{when}" + ("" if frame.used else ", set aside")


def _blank(axis: Axis) -> tuple[Any, Any]:
    import matplotlib
    from matplotlib.figure import Figure

    with matplotlib.rc_context(RC):
        figure = Figure(figsize=_SIZE)
        axes = figure.add_axes((0.14, 0.2, 0.83, 0.74))
        figure.patch.set_visible(False)
        axes.patch.set_visible(False)
        for side, spine in axes.spines.items():
            spine.set_visible(side == "bottom")
            spine.set_color(FAINT)
        axes.grid(True, axis="y", color=FAINT, linewidth=0.6)
        axes.set_axisbelow(True)
        axes.tick_params(color=FAINT, labelcolor=INK, length=2.5, width=0.6)
        axes.tick_params(axis="y", length=0)
        axes.yaxis.set_major_locator(matplotlib.ticker.MaxNLocator(4, min_n_ticks=2))
        axes.yaxis.set_major_formatter(lambda y, _: number(y))
        axes.set_xticks([at for at, _ in axis.ticks], [text for _, text in axis.ticks])
        room = 0.02 * (max(axis.places) - min(axis.places)) or 1.0
        axes.set_xlim(min(axis.places) - room, max(axis.places) + room)
        axes.set_xlabel(axis.label, color=INK, labelpad=2)
        for border in axis.borders:
            axes.axvline(border, color=FAINT, linewidth=0.8, linestyle=(0, (3, 3)))
    return figure, axes


def page_svg(
    figure: Any,
    mark: str,
    title: str,
    about: str,
    points: Mapping[str, Sequence[str]],
    ids: Mapping[str, Sequence[str]] | None = None,
) -> str:
    """The drawing as an element of an HTML page: named, tinted by the page, ids unique.

    points : by group, the title of each of its marks. ids : the frame that each belongs to.
    """
    import io

    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    buffer = io.StringIO()
    with matplotlib.rc_context(RC):
        FigureCanvasSVG(figure).print_svg(
            buffer, metadata={"Date": None, "Creator": None, "Format": None, "Type": None}
        )
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    for colour, variable in _VARIABLES.items():
        text = text.replace(colour, variable)
    # Element and attribute names are what the HTML parser knows them by; no XML name spaces.
    text = re.sub(r'\sxmlns(:xlink)?="[^"]*"', "", text).replace("xlink:href", "href")
    text = re.sub(r'\s(width|height)="[\d.]+pt"', "", text, count=2)
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.S)
    text = re.sub(r"<!--.*?-->\s*", "", text, flags=re.S)
    text = re.sub(r"<style.*?</style>\s*", "", text, flags=re.S)  # it would reach the whole page
    text = re.sub(r" font-family: [^;]*;", "", text)
    text = re.sub(r' transform="rotate\(-?0 [^"]*\)"', "", text)
    # Ids made of digests would depend on how numpy is set to print numbers.
    numbered: dict[str, str] = {}
    text = re.sub(
        r'(?<=["#])([a-z])[0-9a-f]{10}(?=[")])',
        lambda found: numbered.setdefault(found[0], f"{found[1]}{len(numbered) + 1}"),
        text,
    )
    text = re.sub(r'\bid="(?!' + mark + "-)", f'id="{mark}-', text)
    text = text.replace('href="#', f'href="#{mark}-').replace("url(#", f"url(#{mark}-")
    text = re.sub(r"\n\s*", "\n", text)
    for group, titles in points.items():
        text = _name_points(text, f"{mark}-{group}", titles, (ids or {}).get(group, ()))
    names = f'role="img" aria-labelledby="{mark}-title {mark}-about" class="plot"'
    head = (
        f'<title id="{mark}-title">{escape(title)}</title>'
        f'<desc id="{mark}-about">{escape(about)}</desc>'
    )
    text = re.sub(r"^<svg([^>]*)>", rf"<svg\1 {names}>", text)
    at = text.index(">") + 1
    return text[:at] + head + text[at:]


def _name_points(svg: str, group: str, titles: Sequence[str], ids: Sequence[str]) -> str:
    """Give each mark of a group a title, which browsers show under the pointer, and its frame.

    What the marks share goes to their group, since there may be thousands.
    """
    start = svg.find(f'<g id="{group}"')
    if start < 0:
        return svg
    end = svg.index('<g id="', start + 1) if '<g id="' in svg[start + 1 :] else len(svg)
    left, owners = iter(titles), iter(ids)

    def named(found: re.Match[str]) -> str:
        at = " ".join(f'{axis}="{float(found[axis]):.2f}"' for axis in "xy")
        title = f"<title>{escape(next(left))}</title>" if len(titles) <= _MOST_TITLES else ""
        owner = f' data-frame="{escape(next(owners))}"' if ids else ""
        return f"<use {found['mark']} {at}{owner}>{title}</use>"

    pattern = r'<use (?P<mark>href="[^"]*") x="(?P<x>[^"]*)" y="(?P<y>[^"]*)" style="([^"]*)"/>'
    body = svg[start:end]
    style = re.search(pattern, body)
    if style is not None:
        body = re.sub(pattern, named, body, count=len(titles))
        body = body.replace(f'id="{group}"', f'id="{group}" style="{style[4]}"', 1)
    return svg[:start] + body + svg[end:]
