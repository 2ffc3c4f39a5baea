"""Plots of measures over time: every light has its mark, in the right place, in the page's colours."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest

from coldframe.frame import FrameInfo, Kind
from coldframe.report.plots import measure_plot, time_axis
from coldframe.report.record import FrameRecord

START = datetime(2026, 1, 14, 22, 50, tzinfo=UTC)


def light(i: int, value: float | None, *, used: bool = True, night: str = "n") -> FrameRecord:
    info = FrameInfo(
        kind=Kind.LIGHT, path=f"light_{i}.dng", start=START + timedelta(minutes=i), night=night
    )
    return FrameRecord(f"l{i}", info, {} if value is None else {"sky": value}, used)


def plot(frames: list[FrameRecord], mark: str = "m") -> str:
    svg = measure_plot(frames, lambda f: f.measures.get("sky"), "Sky", "ADU", mark)
    assert svg is not None
    return svg


def marks(svg: str, group: str) -> list[tuple[float, float, str]]:
    """x, y and title of each mark of a group."""
    start = svg.index(f'id="m-{group}"')
    end = svg.find('<g id="', start + 1)
    found = re.findall(
        r'<use [^>]*x="([\d.]+)" y="([\d.]+)"[^>]*><title>(.*?)</title>', svg[start:end]
    )
    return [(float(x), float(y), title) for x, y, title in found]


def test_every_light_is_marked_with_its_name_and_value() -> None:
    frames = [
        light(0, 10.0),
        light(1, 30.0),
        light(2, 20.0, used=False),
        light(3, None, used=False),
    ]
    svg = plot(frames)
    used, aside, unmeasured = (marks(svg, g) for g in ("used", "aside", "unmeasured"))
    assert [title for *_, title in used] == [
        "light_0.dng: 10 ADU, 2026-01-14 22:50:00 UTC",
        "light_1.dng: 30 ADU, 2026-01-14 22:51:00 UTC",
    ]
    assert [title for *_, title in aside] == [
        "light_2.dng: 20 ADU, 2026-01-14 22:52:00 UTC, set aside"
    ]
    assert "light_3.dng: not measured" in unmeasured[0][2]
    # Later is further right and a larger value higher up (SVG's y runs down), to scale.
    xs = [x for x, *_ in used + aside + unmeasured]
    assert xs == sorted(xs)
    assert xs[1] - xs[0] == pytest.approx(xs[3] - xs[2], abs=1e-3)
    assert aside[0][1] == pytest.approx((used[0][1] + used[1][1]) / 2, abs=1e-3)
    assert unmeasured[0][1] > used[0][1]


def test_colours_come_from_the_page() -> None:
    svg = plot([light(0, 1.0), light(1, 2.0, used=False)])
    assert not re.search(r"#[0-9a-f]{6}", svg)
    assert set(re.findall(r"var\(--(\w+)\)", svg)) == {"soft", "rule", "used", "aside"}
    assert "<style" not in svg


def test_two_plots_of_a_page_share_no_id() -> None:
    first, second = (
        set(re.findall(r'id="([^"]+)"', plot([light(0, 1.0), light(1, 3.0)], m))) for m in "ab"
    )
    assert first
    assert not first & second


def test_no_values_no_plot() -> None:
    frames = [light(0, None), light(1, float("nan"))]
    assert measure_plot(frames, lambda f: f.measures.get("sky"), "Sky", "", "m") is None
    assert measure_plot([], lambda f: 1.0, "Sky", "", "m") is None


@pytest.mark.parametrize("value", [0.0, -5.0, 1e-12, 3e9])
def test_a_single_value_has_an_axis_around_it(value: float) -> None:
    assert len(marks(plot([light(0, value)]), "used")) == 1


def test_names_of_files_cannot_break_the_drawing() -> None:
    frame = light(0, 1.0)
    name = 'a"/><script>url(#x) #0a0001.dng'
    evil = FrameRecord("e", FrameInfo(kind=Kind.LIGHT, path=name), {"sky": 2.0}, True)
    svg = plot([frame, evil])
    assert "<script" not in svg
    assert "url(#x) #0a0001.dng" in svg


def test_time_of_day_runs_through_midnight() -> None:
    axis = time_axis([light(30 * i, 1.0) for i in range(5)])
    assert [text for _, text in axis.ticks] == ["23:00", "23:30", "00:00", "00:30"]
    assert axis.places[0] == 22 * 60 + 50
    assert axis.label == "UTC"


def test_several_nights_are_numbered_with_borders_between_them() -> None:
    frames = [light(i, 1.0, night="one" if i < 3 else "two") for i in range(7)]
    axis = time_axis(frames)
    assert list(axis.places) == [1, 2, 3, 4, 5, 6, 7]
    assert list(axis.borders) == [3.5]


def test_lights_without_a_time_are_numbered() -> None:
    frames = [FrameRecord(str(i), FrameInfo(kind=Kind.LIGHT), {}, True) for i in range(40)]
    axis = time_axis(frames)
    assert axis.label.startswith("light number")
    assert axis.ticks[0] == (1.0, "1")
    assert 2 <= len(axis.ticks) <= 7
