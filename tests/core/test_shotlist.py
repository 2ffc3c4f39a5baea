"""The shot list: numbers by the noise they add, forecasts, plans, further masters."""

import csv
import math
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from coldframe.camera.file import CameraFile, DarkRate, Setting
from coldframe.cautions import ALL, FLATS, SUN
from coldframe.errors import UsageError
from coldframe.frame import Frame, FrameInfo, Kind
from coldframe.planned import frame_id
from coldframe.shots.forecast import read_forecast, spans
from coldframe.shots.items import Plan, Wish
from coldframe.shots.noise import added_noise, flat_ratio, frames_for, together
from coldframe.shots.plan import make_list
from coldframe.shots.planned import read_plan
from coldframe.shots.sheet import as_facts, write_csv, write_sheet
from coldframe.shots.stock import Stocked

SHAPE = (160, 200)
GAIN, READ, DARK_E, SKY_E = 0.5, 3.0, 20.0, 40.0  # e-/ADU, e-, and electrons in 60 s


class Night:
    """Frames of an invented cooled camera, held in memory."""

    def __init__(self):
        self.rng = np.random.default_rng(4)
        self.frames = {}

    def shoot(self, kind, count, electrons, **facts):
        for _ in range(count):
            info = FrameInfo(
                kind=kind, path=f"/night/{len(self.frames):03}.fits",
                digest=f"{len(self.frames):020}", camera="Nachtauge T1",
                gain_setting=100.0, shape=SHAPE, night="/night",
                **{"temperature": 10.0, "exposure": 60.0, **facts},
            )  # fmt: skip
            shot = self.rng.poisson(electrons, SHAPE) + self.rng.normal(0, READ, SHAPE)
            data = np.round(shot / GAIN + 500).astype(np.uint16)
            self.frames[info.path] = Frame(data, np.zeros(SHAPE, np.uint8), info)

    def infos(self):
        return [f.info for f in self.frames.values()]

    def list(self, wish=None, plans=(), cameras=(), masters=()):
        return make_list(
            self.infos(), plans, cameras, lambda info: self.frames[info.path], wish or Wish(),
            masters,
        )  # fmt: skip


@pytest.fixture(scope="module")
def night():
    night = Night()
    night.shoot(Kind.LIGHT, 12, SKY_E + DARK_E, filter="R")
    night.shoot(Kind.DARK, 3, DARK_E)
    night.shoot(Kind.FLAT, 4, 15_000, filter="R", exposure=1.0)
    night.shoot(Kind.BIAS, 6, 0, exposure=0.001)
    return night


def by_kind(shots):
    return {item.kind: item for item in shots.items}


def test_numbers_are_those_of_the_true_noise(night):
    items = by_kind(night.list(Wish(share=0.05, least=1)))
    rounding = GAIN**2 / 12
    light = SKY_E + DARK_E + READ**2 + rounding
    dark = DARK_E + READ**2 + rounding
    exact = 12 * dark / light / (1.05**2 - 1)
    assert items[Kind.DARK].wanted == pytest.approx(exact, rel=0.06, abs=1)
    assert items[Kind.DARK].have == 3
    expected = math.sqrt(1 + 12 * dark / light / 3) - 1
    assert items[Kind.DARK].now == pytest.approx(expected, rel=0.06)
    assert items[Kind.DARK].then <= 0.05
    flat = (SKY_E + DARK_E) ** 2 / 15_000 / light
    assert items[Kind.FLAT].now == pytest.approx(math.sqrt(1 + 12 * flat / 4) - 1, rel=0.1)
    assert items[Kind.BIAS].wanted == 1


def test_simulated_stack_has_the_added_noise_that_the_formula_says():
    """N lights less one master of M darks, by Monte Carlo, with the field fixed and moved."""
    rng = np.random.default_rng(8)
    n, m, pixels = 16, 5, 400_000
    light, dark = 2.0, 1.5  # standard deviations
    master = rng.normal(0, dark, (m, pixels)).mean(axis=0)
    fixed = rng.normal(0, light, (n, pixels)).mean(axis=0) - master
    moved = np.mean([rng.normal(0, light, pixels) - np.roll(master, 7 * i) for i in range(n)], 0)
    clean = light / math.sqrt(n)
    ratio = dark**2 / light**2
    assert fixed.std() / clean - 1 == pytest.approx(added_noise(ratio, n, m), rel=0.03)
    assert moved.std() / clean - 1 == pytest.approx(added_noise(ratio, n, m, n), abs=0.01)


def test_frames_for_is_the_fewest_that_keep_the_promise():
    for ratio, lights, share, places in (
        (0.4, 30, 0.02, 1),
        (1.0, 12, 0.05, 4),
        (1e-5, 5, 0.02, 1),
    ):
        few = frames_for(ratio, lights, share, places)
        assert added_noise(ratio, lights, few, places) <= share + 1e-12
        assert few == 1 or added_noise(ratio, lights, few - 1, places) > share
    assert added_noise(1.0, 10, 0) == math.inf
    assert together([0.03, 0.04]) == pytest.approx(math.sqrt(1.03**2 + 1.04**2 - 1) - 1)
    assert flat_ratio(100.0, 1000.0, 50.0, 25.0) == pytest.approx(0.01)


def test_moving_the_field_makes_fewer_do(night):
    still = by_kind(night.list(Wish(share=0.02, least=1)))[Kind.DARK].wanted
    moved = by_kind(night.list(Wish(share=0.02, least=1, positions=12)))[Kind.DARK].wanted
    assert moved == pytest.approx(still / 12, abs=1)


def test_positions_are_counted_in_a_run_else_one_and_the_list_says_which(night):
    ids = [frame_id(info) for info in night.infos() if info.kind is Kind.LIGHT]
    pairs = {name: (9.0 * (i // 2), 0.4) for i, name in enumerate(ids)}  # two lights at each place

    def listed(**more):
        shots = night.list(Wish(share=0.02, least=1, **more))
        return shots, by_kind(shots)[Kind.DARK].wanted

    counted, wanted = listed(shifts=pairs, run="reeds-stack")
    assert wanted == listed(positions=6)[1] < listed()[1] == listed(positions=1)[1]
    assert counted.dithering_words == (
        "6 positions, counted from the shifts of 12 lights in reeds-stack",
    )
    some, _ = listed(shifts=dict(list(pairs.items())[:4]), run="reeds-stack")
    assert "2 positions, counted from the shifts of 4 of 12 lights" in some.dithering_words[0]
    given, _ = listed(shifts=pairs, run="reeds-stack", positions=3)
    assert given.dithering_words == ("3 positions, as given",)
    assert listed()[0].dithering_words[0].startswith("1 position, assumed")


def test_never_fewer_than_asked_and_time_counts_pauses(night):
    items = by_kind(night.list(Wish(share=0.5, least=8, overhead=5.0)))
    assert items[Kind.DARK].wanted == 8
    assert items[Kind.DARK].seconds == pytest.approx(5 * 65)
    assert "8 tell outliers" in items[Kind.DARK].reason


def test_masters_from_elsewhere_count(night):
    dark = next(f for f in night.infos() if f.kind is Kind.DARK)
    master = Stocked(Kind.DARK, replace(dark, path="", temperature=10.2), 80)
    bare = [f for f in night.infos() if f.kind is not Kind.DARK]
    read = lambda info: night.frames[info.path]  # noqa: E731
    without = by_kind(make_list(bare, [], [], read, Wish()))[Kind.DARK]
    with_it = by_kind(make_list(bare, [], [], read, Wish(), [master]))[Kind.DARK]
    assert (without.have, with_it.have) == (0, 80)
    assert with_it.shoot == 0


def test_a_dark_beyond_tolerance_is_missing_and_the_reason_said(night):
    far = [replace(f, temperature=0.0) if f.kind is Kind.DARK else f for f in night.infos()]
    item = by_kind(make_list(far, [], [], lambda i: night.frames[i.path], Wish()))[Kind.DARK]
    assert item.have == 0
    assert any("colder" in note for note in item.notes)
    assert "cannot be computed" in item.reason
    assert item.wanted == 20


def test_one_set_of_darks_serves_all_filters():
    night = Night()
    night.shoot(Kind.LIGHT, 4, 60, filter="R")
    night.shoot(Kind.LIGHT, 4, 60, filter="G", temperature=10.4)
    kinds = [item.kind for item in night.list().items]
    assert kinds.count(Kind.DARK) == 1
    assert kinds.count(Kind.FLAT) == 2


def test_long_flats_want_dark_flats():
    night = Night()
    night.shoot(Kind.LIGHT, 4, 60, filter="R")
    night.shoot(Kind.FLAT, 4, 15_000, filter="R", exposure=6.0)
    items = by_kind(night.list())
    assert items[Kind.DARK_FLAT].info.exposure == 6.0
    assert Kind.BIAS not in items


def test_forecast_places_and_sorts_darks():
    night = Night()
    for temperature in (6.0, 12.0, 25.0):
        night.shoot(Kind.LIGHT, 3, 60, temperature=temperature)
    forecast = read_forecast("21:00=14,03:00=2")
    shots = night.list(Wish(forecast=forecast, above=0.0))
    darks = [i for i in shots.items if i.kind is Kind.DARK]
    assert [round(i.info.temperature) for i in darks] == [12, 6, 25]
    # 2 °C an hour from 14 at nine: 12 ± 3 until half past eleven, 6 ± 3 from half past eleven.
    assert darks[0].when.startswith("21:00 to 23:30")
    assert darks[1].when.startswith("23:30 to 02:30")
    assert "not in this forecast" in darks[2].when
    assert "time for" not in darks[0].when


def test_a_short_spell_says_for_how_many_it_lasts():
    night = Night()
    night.shoot(Kind.LIGHT, 3, 60, temperature=12.0, exposure=600.0)
    shots = night.list(Wish(forecast=read_forecast("21:00=30,22:00=0"), overhead=0))
    item = by_kind(shots)[Kind.DARK]
    # 6 of 30 degrees in an hour are 12 minutes.
    assert "(time for 1)" in item.when


def test_forecast_files_and_midnight(tmp_path):
    path = tmp_path / "tonight.csv"
    path.write_text("# from the weather service\n22:30,8\n01:00, 4.5\n\n04:00=-1\n")
    forecast = read_forecast(str(path))
    assert [t for t, _ in forecast.points] == [1350, 1500, 1680]
    assert forecast.at(1425) == pytest.approx(6.25)
    # 8 falls to 5.5 in 107.1 of 150 minutes, and to 4.5 at one.
    assert [s.text for s in spans(forecast, 5.0, 0.5)] == ["00:18 to 01:00"]
    assert spans(forecast, 10.0, 1.0, above=2.0)[0].start == 1350


@pytest.mark.parametrize(
    "text", ["21:00=12", "25:00=3,26:00=4", "21:00=warm,22:00=1", "nowhere.csv"]
)
def test_bad_forecasts_are_refused(text):
    with pytest.raises(UsageError, match="forecast"):
        read_forecast(text)


FILE = CameraFile(
    "Nachtauge T1",
    settings=(
        Setting(
            gain_setting=100.0, gain=GAIN, read_noise=READ, read_noise_adu=READ / GAIN,
            black=(500.0,), white=60_500.0,
            dark=(DarkRate(10.0, 0.4, 0.01, 0.2, 0.01),), doubling=6.0,
        ),
    ),
)  # fmt: skip


def test_planned_lights_are_reckoned_from_the_camera_file():
    plan = read_plan("camera=t1,gain=100,exposure=60,temperature=16,lights=30,sky=2", [], [FILE])
    assert plan.info.camera == "Nachtauge T1"
    shots = make_list([], [plan], [FILE], lambda _: pytest.fail("reads"), Wish(share=0.1, least=1))
    items = by_kind(shots)
    rounding = GAIN**2 / 12
    dark = READ**2 + rounding + 0.4 * 60  # 0.2 e-/s at 10 °C double every 6
    light = READ**2 + rounding + 2 * 60
    assert items[Kind.DARK].wanted == math.ceil(30 * dark / light / (1.1**2 - 1))
    flat = 30_000.0 * GAIN  # half of full scale, electrons
    ratio = (
        (120 / GAIN) ** 2 * (flat + READ**2 + rounding) / GAIN**2 / 30_000**2 / (light / GAIN**2)
    )
    assert items[Kind.FLAT].wanted == math.ceil(30 * ratio / (1.1**2 - 1))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("camera=N1", "exposure"),
        ("exposure=60", "camera"),
        ("camera=N1,exposure=0", "above zero"),
        ("camera=N1,exposure=long", "number"),
        ("camera=N1,exposur=60", "did you mean exposure"),
        ("camera=N1,exposure=60,lights=1.5", "number"),
    ],
)
def test_bad_plans_are_refused(text, said):
    with pytest.raises(UsageError, match=said):
        read_plan(text, [], [])


def test_nothing_to_plan_for_is_said():
    with pytest.raises(UsageError, match="no lights"):
        make_list([], [], [], lambda _: None, Wish())


class Words(HTMLParser):
    """The text of a page, and whether its elements close."""

    def __init__(self):
        super().__init__()
        self.open, self.text = [], []

    def handle_starttag(self, tag, attrs):
        if tag not in ("meta", "br", "img"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


def test_sheet_and_table_hold_the_list_and_its_cautions(night, tmp_path):
    wish = Wish(share=0.02)
    shots = night.list(wish)
    page = write_sheet(shots, wish, "Shot list", tmp_path / "s.html")
    words = Words()
    words.feed(page.read_text())
    text = " ".join(words.text)
    assert words.open == []
    for caution in ALL:
        assert str(caution) in text
    assert "☐ darks" in text
    with write_csv(shots, wish, tmp_path / "s.csv").open(newline="") as handle:
        rows = list(csv.DictReader(handle))
    facts = as_facts(shots, wish)["items"]
    assert [int(r["shoot"]) for r in rows] == [f["shoot"] for f in facts]
    assert {"exposure_s", "temperature_c", "time_s"} <= set(rows[0])


def test_the_sun_is_told_of_whenever_a_frame_is_to_be_shot():
    night = Night()
    night.shoot(Kind.LIGHT, 2, 60)
    night.shoot(Kind.FLAT, 30, 15_000, exposure=1.0)
    told = as_facts(night.list(), Wish())["cautions"]  # darks and bias are missing, no flats
    assert str(SUN) in told
    assert str(FLATS) not in told


def test_plan_defaults():
    assert Plan(FrameInfo()).count == 20
