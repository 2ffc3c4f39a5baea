"""Which measures of the lights are plotted over time."""

from __future__ import annotations

from collections.abc import Callable

from coldframe.report.blocks import Block, Plots
from coldframe.report.findings import lights
from coldframe.report.plots import measure_plot
from coldframe.report.record import FrameRecord, RunRecord
from coldframe.report.tables import MAIN_MEASURES, title, unit

_KEY = (("used", "used"), ("aside", "set aside; on the base line where it was not measured"))


def measure_plots(record: RunRecord) -> list[Block]:
    """One plot for each main measure that any light has, and one of the temperature."""
    frames = lights(record)
    names = [*MAIN_MEASURES]
    if len({frame.measures.get("dark_scale") for frame in frames}) > 1:
        names.append("dark_scale")
    wanted: list[tuple[str, str, Callable[[FrameRecord], float | None]]] = [
        (title(name), unit(record, name), _measure(name)) for name in names
    ]
    wanted.append(("Temperature", "°C", lambda frame: frame.info.temperature))
    plots = []
    for number, (name, unit_text, value) in enumerate(wanted, 1):
        svg = measure_plot(frames, value, name, unit_text, f"plot-{number}")
        if svg is not None:
            plots.append((f"{name}, {unit_text}" if unit_text else name, svg))
    return [Plots(plots, "Measures over time", _KEY)] if plots else []


def _measure(name: str) -> Callable[[FrameRecord], float | None]:
    return lambda frame: frame.measures.get(name)
