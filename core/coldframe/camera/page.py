"""The report of a measured camera: its numbers, the photon-transfer plot, what is still needed."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from pathlib import Path

from coldframe.camera.file import Setting
from coldframe.camera.measure import Measured, SettingResult
from coldframe.camera.transfer import GAIN_UP_TO, Point
from coldframe.cautions import FOR_FLATS
from coldframe.report.blocks import (
    Block,
    Bullets,
    Cell,
    Figure,
    Figures,
    Heading,
    Line,
    Part,
    Plots,
    Table,
    Text,
)
from coldframe.report.build import write_page
from coldframe.report.numbers import count, number
from coldframe.report.xyplot import Curve, Marks, log_plot

_METHOD = (
    "Measured by the photon-transfer method of EMVA Standard 1288, release 4.0: mean and temporal "
    "variance of pairs of frames at growing light. Gain is one over the slope of variance against "
    f"signal up to {GAIN_UP_TO:.0%} of saturation; read noise is the noise of bias pairs, less that "
    "of rounding to whole numbers. Each ± is one standard uncertainty: it covers chance, not "
    "light that changed or darks at another temperature than noted."
)


def write_camera_page(measured: Measured, path: Path) -> Path:
    """Write the report as one HTML file. Raises StoreError when that fails."""
    camera = measured.camera
    size = f"{camera.shape[1]} × {camera.shape[0]} pixels" if camera.shape else ""
    facts = [size, camera.cfa or "no colour mosaic", count(camera.frames, "frame")]
    parts = [Part("Method", 0, [Text(_METHOD)])]
    for i, result in enumerate(measured.settings, 1):
        parts.append(Part(result.label or "Frames", i, list(_blocks(result, i))))
    aside = [f"{label}: {why}" for label, why in measured.set_aside]
    if aside:
        parts.append(Part("Set aside", 90, [Bullets(aside, style="warnings")]))
    parts.append(Part("Safety", 95, [Bullets([*map(str, FOR_FLATS)], style="warnings")]))
    return write_page(camera.camera, " · ".join(f for f in facts if f), parts, path)


def plus_minus(value: float | None, error: float | None) -> str:
    """A number with its uncertainty, to the digits that the uncertainty leaves."""
    if value is None:
        return "–"
    if not error or not math.isfinite(error):
        return number(value)
    places = max(0, 1 - math.floor(math.log10(error)))
    return f"{value:.{places}f} ± {error:.{places}f}"


def _blocks(result: SettingResult, place: int) -> Iterator[Block]:
    yield Figures(list(_figures(result.setting)))
    if result.notes:
        yield Bullets(result.notes, "Note", "warnings")
    if result.points:
        yield _plot(result, place)
    yield _colours(result.setting)
    if result.setting.dark:
        yield _dark(result.setting)
    yield _needs(result)
    if result.points:
        yield _points(result)


def _figures(s: Setting) -> Iterator[Figure]:
    if s.gain is not None:
        yield Figure("Gain", plus_minus(s.gain, s.gain_error), "e-/ADU")
    if s.read_noise is not None:
        adu = f"{number(s.read_noise_adu)} ADU"
        yield Figure("Read noise", plus_minus(s.read_noise, s.read_noise_error), "e-", adu)
    elif s.read_noise_adu is not None:
        value = plus_minus(s.read_noise_adu, s.read_noise_adu_error)
        yield Figure("Read noise", value, "ADU", "in electrons once the gain is known")
    if s.full_well is not None:
        least = "" if s.full_well_reached else "at least "
        note = f"white level {s.white:.0f} ADU" if s.white else "no flat was saturated"
        yield Figure("Full well", f"{least}{number(s.full_well)}", "e-", note)
    if s.full_well and s.read_noise and s.full_well_reached:
        stops = math.log2(s.full_well / s.read_noise)
        yield Figure("Dynamic range", number(stops, 3), "stops", "full well over read noise")
    if s.linearity:
        low, high = s.linearity
        yield Figure(
            "Linearity error", f"{low:+.2f} to {high:+.2f}", "%", "if the light was steady"
        )
    if s.doubling is not None:
        yield Figure("Dark current doubles", plus_minus(s.doubling, s.doubling_error), "°C")


def _plot(result: SettingResult, place: int) -> Plots:
    fitted = set(result.fitted)
    shown = [p for p in result.points if p.signal > 0 and p.variance > 0]
    groups = [
        Marks(
            [p.signal for p in shown if (p in fitted) is used],
            [p.variance for p in shown if (p in fitted) is used],
            [_title(p) for p in shown if (p in fitted) is used],
            used,
        )
        for used in (True, False)
    ]
    curves = []
    gain = result.setting.gain
    if gain is not None and shown:
        low, high = min(p.signal for p in shown) / 1.3, max(p.signal for p in shown) * 1.1
        curves.append(
            Curve([low, high], [low / gain, high / gain], f"slope 1/{number(gain)} ADU/e-")
        )
        if result.dark_variance:
            curves.append(
                Curve([low, high], [result.dark_variance] * 2, "in darkness", dashed=True)
            )
    about = (
        f"Temporal variance against signal of {count(len(shown), 'point')}; "
        f"{len(result.fitted)} of them gave a gain of {number(gain)} electrons per ADU."
    )
    svg = log_plot(
        [g for g in groups if g.x],
        curves,
        ("signal above the offset, ADU", "variance, ADU²"),
        "Photon transfer",
        about,
        f"transfer-{place}",
    )
    key = (("used", "gave the gain"), ("aside", "above 70% of saturation or clipped"))
    return Plots([("Temporal variance, without that in darkness", svg)], "Photon transfer", key)


def _title(p: Point) -> str:
    light = f", {p.light}" if p.light else ""
    return (
        f"{p.colour}{light}, {number(p.exposure)} s: signal {number(p.signal)} ADU, "
        f"variance {number(p.variance)} ADU²"
    )


def _colours(s: Setting) -> Table:
    rows: list[tuple[str, str, Mapping[str, float] | None]] = [
        ("DSNU: how the offset differs between pixels", "e-", s.dsnu),
        ("DSNU", "ADU", s.dsnu_adu),
        ("PRNU: how pixels respond differently, finer than 5 × 5 pixels of a colour", "%", s.prnu),
    ]
    names = sorted({c for _, _, m in rows for c in m or ()}, key="RGB mono".find)
    lines = [
        Line([Cell(f"{what}, {unit}"), *(Cell(number(m.get(c), 3)) for c in names)])
        for what, unit, m in rows
        if m
    ]
    headings = [Heading("", wide=True), *(Heading(c, numeric=True) for c in names)]
    return Table("Unevenness by colour, standard deviation", headings, lines)


def _dark(s: Setting) -> Table:
    lines = []
    for d in s.dark:
        at = "unknown" if d.temperature is None else f"{d.temperature:.1f}"
        hot = "–" if d.hot_share is None else f"{100 * d.hot_share:.3f}"
        rate = plus_minus(d.rate, d.rate_error)
        lines.append(
            Line([Cell(at), Cell(rate), Cell(plus_minus(d.rate_adu, d.rate_adu_error)), Cell(hot)])
        )
    return Table(
        "Dark current of all pixels but the hot ones",
        [
            Heading("Sensor", "°C", numeric=True),
            Heading("Dark current", "e-/s", numeric=True),
            Heading("Dark current", "ADU/s", numeric=True),
            Heading("Hot pixels", "%", numeric=True),
        ],
        lines,
    )


def _needs(result: SettingResult) -> Table:
    lines = [
        Line([Cell(n.result), Cell("yes" if n.there else "no"), Cell(n.frames if n.there else n.missing)])
        for n in result.needs
    ]  # fmt: skip
    return Table(
        "Which results rest on which frames, and what is missing for the others",
        [Heading("Result"), Heading("There"), Heading("From, or still to shoot", wide=True)],
        lines,
    )


def _points(result: SettingResult) -> Table:
    fitted = set(result.fitted)
    headings = [
        Heading("Exposure", "s", numeric=True),
        Heading("Colour"),
        Heading("Filter"),
        Heading("Signal", "ADU", numeric=True),
        Heading("Variance", "ADU²", numeric=True),
        Heading("±", "ADU²", numeric=True),
        Heading("Clipped", "%", numeric=True),
        Heading("In the fit"),
    ]
    lines = [
        Line(
            [
                Cell(number(p.exposure)),
                Cell(p.colour),
                Cell(p.light or "–"),
                Cell(number(p.signal)),
                Cell(number(p.variance)),
                Cell(number(p.error, 2)),
                Cell(number(100 * p.clipped, 3)),
                Cell("yes" if p in fitted else "no"),
            ]
        )
        for p in result.points
    ]
    return Table("All points", headings, lines, sortable=True, folded=True)
