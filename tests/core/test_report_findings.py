"""What the report finds in a record: counts, exposures, noise next to theory, missing masters."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from coldframe.frame import FrameInfo, Kind
from coldframe.report import findings
from coldframe.report.noise import noise_figures
from coldframe.report.numbers import count, duration, listing, moment, number
from coldframe.report.record import FrameRecord, MasterUse, ProductRecord, RunRecord
from coldframe.report.summary import summary, to_shoot

START = datetime(2026, 1, 14, 22, 0, tzinfo=UTC)


def light(i: int, *, used: bool = True, reason: str = "", **more: object) -> FrameRecord:
    info = FrameInfo(
        kind=Kind.LIGHT,
        path=f"/n/light_{i}.dng",
        iso=800,
        exposure=60.0,
        start=START + timedelta(minutes=i),
    )
    return replace(FrameRecord(f"l{i}", info, {"noise": 10.0}, used, reason), **more)  # type: ignore[arg-type]


def product(step: str, frames: list[str], **measures: float) -> ProductRecord:
    info = FrameInfo(kind=Kind.LIGHT)
    return ProductRecord(f"key-{step}", step, "any", step, info, measures, tuple(frames))


def run(frames: list[FrameRecord], **more: object) -> RunRecord:
    record = RunRecord(
        recipe="r",
        about="",
        why_recipe="",
        nights=("/n",),
        frames=frames,
        masters=(),
        products=(),
        columns={},
        warnings=(),
        timings={},
        versions={},
        steps=(
            {"id": "dark", "use": "combine", "masters": [], "params": {}},
            {"id": "clean", "use": "calibrate", "masters": ["bias", "dark"], "params": {}},
            {"id": "stack", "use": "integrate", "masters": [], "params": {}},
            {"id": "final", "use": "background-fit", "masters": [], "params": {}},
        ),
        elapsed=1.0,
        read=lambda key: None,
    )
    return replace(record, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (-0.0, "0"),
        (1.0, "1"),
        (0.99999, "1"),
        (99999.6, "100000"),
        (-3.14159, "-3.142"),
        (0.000123456, "0.0001235"),
        (1e-7, "1.000e-07"),
        (2.5e12, "2.500e+12"),
        (math.nan, "–"),
        (math.inf, "∞"),
        (None, "–"),
    ],
)
def test_number(value: float | None, text: str) -> None:
    assert number(value) == text


@pytest.mark.parametrize("value", [3.7, 12345.678, 0.00234, -88.02, 1e8])
def test_number_keeps_four_digits(value: float) -> None:
    assert float(number(value)) == pytest.approx(value, rel=5e-4)


def test_words() -> None:
    assert duration(3600) == "1 h"
    assert duration(3599.7) == "1 h"
    assert duration(0.5) == "0.5 s"
    assert duration(None) == "–"
    assert count(1, "light") == "1 light"
    assert count(0, "light") == "0 lights"
    assert listing([]) == ""
    assert listing("ab") == "a and b"
    assert moment(START) == "2026-01-14 22:00:00"


def test_lights_in_time_with_and_without_time_zone() -> None:
    naive = light(0, info=FrameInfo(kind=Kind.LIGHT, start=START.replace(tzinfo=None)))
    no_time = light(5, info=FrameInfo(kind=Kind.LIGHT))
    order = findings.in_time([no_time, light(2), naive, light(1)])
    assert [frame.id for frame in order] == ["l0", "l1", "l2", "l5"]


def test_noise_of_equal_lights_is_the_standard_error_of_the_mean() -> None:
    frames = [light(i) for i in range(25)]
    figures = noise_figures(product("stack", [f.id for f in frames], noise=2.0), frames)
    assert figures.frames == 25
    assert figures.single == 10.0
    assert figures.improvement == pytest.approx(5.0)
    assert figures.share == pytest.approx(1.0)
    assert figures.best == pytest.approx(10.0 / math.sqrt(25))
    assert figures.over_best == pytest.approx(1.0)


def test_unequal_lights_are_held_against_their_own_best_and_not_against_the_root_of_n() -> None:
    """4 lights of noise 10 and 4 of 5: at best (sum 1 / sigma^2)^(-1/2) = 2.236 (Aitken 1936), and
    the median light has 7.5, so 3.354 times less is possible where the root of 8 is 2.83."""
    frames = [light(i, measures={"noise": 10.0 if i < 4 else 5.0}) for i in range(8)]
    figures = noise_figures(product("stack", [f.id for f in frames], noise=5**0.5), frames)
    assert figures.possible == pytest.approx(7.5 / 5**0.5)
    assert figures.improvement == pytest.approx(figures.possible)
    assert figures.share == pytest.approx(1.0)


def test_best_noise_is_that_of_a_simulated_inverse_variance_mean() -> None:
    """Aitken (1936): no weights beat 1/variance; simulated here with numpy's average."""
    sigmas = np.array([3.0, 5.0, 9.0, 20.0])
    frames = [light(i, measures={"noise": s}) for i, s in enumerate(sigmas)]
    best = noise_figures(product("stack", ["l0", "l1", "l2", "l3"]), frames).best
    rng = np.random.default_rng(11)
    pixels = rng.normal(0, sigmas[:, None], (4, 40_000))
    spread = np.average(pixels, axis=0, weights=sigmas**-2).std()
    assert best == pytest.approx(spread, rel=0.02)


def test_best_noise_is_unknown_when_a_light_was_not_measured() -> None:
    frames = [light(0), light(1, measures={})]
    figures = noise_figures(product("stack", ["l0", "l1"], noise=5.0), frames)
    assert figures.best is None
    assert figures.single == 10.0
    assert figures.improvement == pytest.approx(2.0)


@pytest.mark.parametrize("bad", [0.0, math.nan, math.inf, -1.0])
def test_senseless_noise_is_no_noise(bad: float) -> None:
    figures = noise_figures(
        product("stack", ["l0"], noise=bad), [light(0, measures={"noise": bad})]
    )
    assert (figures.single, figures.stacked, figures.best) == (None, None, None)
    assert figures.improvement is None
    assert figures.share is None


def test_results_pair_each_stack_with_the_last_product_of_the_same_lights() -> None:
    frames = [light(i) for i in range(4)]
    red, blue = ["l0", "l1"], ["l2", "l3"]
    products = [
        replace(product("final", red), id="red-final"),
        replace(product("final", blue), id="blue-final"),
        replace(product("stack", blue), id="blue-stack"),
        replace(product("stack", red), id="red-stack"),
        product("elsewhere", ["not a light"]),
    ]
    pairs = {(r.stack.id, r.final.id) for r in findings.results(run(frames, products=products))}
    assert pairs == {("red-stack", "red-final"), ("blue-stack", "blue-final")}


def test_missing_masters_by_kind() -> None:
    dark = MasterUse("dark", "d", {}, 0.0)
    frames = [light(0, masters=(dark,)), light(1), light(2, used=False)]
    missing = findings.missing_masters(run(frames))
    assert [f.id for f in missing["dark"]] == ["l1"]
    assert [f.id for f in missing["bias"]] == ["l0", "l1"]


def test_masters_of_the_flats_are_not_missed_by_the_lights() -> None:
    steps = (
        {"id": "flat-clean", "use": "calibrate", "masters": ["dark-flat"], "params": {}},
        {"id": "clean", "use": "calibrate", "masters": ["dark"], "params": {}},
    )
    assert set(findings.missing_masters(run([light(0)], steps=steps))) == {"dark"}
    seen = light(0, products={"clean": "k"})
    assert set(findings.missing_masters(run([seen], steps=steps))) == {"dark"}


def test_a_step_with_a_name_of_its_own_serves_the_kind_of_its_master() -> None:
    master = replace(product("night-darks", []), info=FrameInfo(kind=Kind.DARK))
    steps = ({"id": "clean", "use": "calibrate", "masters": ["night-darks"], "params": {}},)
    record = run([light(0)], steps=steps, masters=(master,))
    assert set(findings.missing_masters(record)) == {"dark"}


def test_keys_of_a_light_before_and_after_each_step() -> None:
    frame = light(0, products={"final": "f", "clean": "c", "lights": "raw"})
    record = run([frame])
    stack = product("stack", ["l0"])
    assert findings.calibrated(record, frame) == "c"
    assert findings.before_stack(record, frame, stack) == "c"
    assert findings.calibrated(record, light(1)) is None
    assert findings.before_stack(record, light(1), stack) is None


def text_of(record: RunRecord) -> str:
    part = summary(record)
    words = []
    for block in part.blocks:
        words += [getattr(block, "text", "")]
        words += list(getattr(block, "items", ()))
        words += [f"{f.name} {f.value} {f.unit} {f.note}" for f in getattr(block, "figures", ())]
    return "\n".join(words)


def test_summary_says_what_was_used_and_what_not() -> None:
    frames = [light(i) for i in range(9)]
    frames += [light(9, used=False, reason="clouds"), light(10, used=False, reason="clouds")]
    stack = product("stack", [f"l{i}" for i in range(9)], noise=4.0)
    text = text_of(run(frames, products=(stack,)))
    assert "9 of 11 lights are in the result: 9 min of exposure (9 × 60 s)." in text
    assert "2 lights set aside: clouds (light_9.dng and light_10.dng)." in text
    assert "4 ADU of noise where one light has 10 ADU: 2.5 times less" in text
    assert "That is 83.3% of the best possible for these lights (3 times)." in text
    assert "No master bias was at hand." in text
    assert "No master dark was at hand." in text


@pytest.mark.parametrize(
    ("frames", "words"),
    [
        ([], "No light frames were found."),
        ([light(0, used=False, reason="clouds")], "The only light could not be used."),
        ([light(0, info=FrameInfo(kind=Kind.LIGHT))], "Their exposure is not recorded."),
    ],
)
def test_summary_of_nothing(frames: list[FrameRecord], words: str) -> None:
    assert words in text_of(run(frames))


def test_what_to_shoot_names_setting_and_temperatures() -> None:
    frames = [
        light(i, info=replace(light(i).info, temperature=t)) for i, t in enumerate((4.0, 7.5))
    ]
    wanted = to_shoot(run(frames))
    assert "Darks: ISO 800 · 60 s · 4 to 7.5 °C." in wanted
    assert "Biases: ISO 800." in wanted


def test_a_master_that_fits_badly_is_named_with_the_reason() -> None:
    near = MasterUse("dark", "d", {"temperature": 2.0}, 1.0)
    far = MasterUse("dark", "d", {"temperature": 6.0, "exposure": 0.0}, 3.0)
    bias = MasterUse("bias", "b", {}, 0.5)
    dark = FrameInfo(kind=Kind.DARK)
    master = replace(product("dark", []), id="d", label="dark · 2 °C", info=dark)
    lights = [light(0, masters=(near, bias)), light(1, masters=(far, bias))]
    assert to_shoot(run(lights, masters=(master,))) == [
        "A closer match than dark · 2 °C: for light_1.dng it is 3 tolerances away "
        "(temperature 6 °C, exposure 0 s)."
    ]
    noted = [light(0, masters=(replace(far, note="dark: 6.0 °C warmer"), bias))]
    assert "3 tolerances away (dark: 6.0 °C warmer)" in to_shoot(run(noted, masters=(master,)))[0]
