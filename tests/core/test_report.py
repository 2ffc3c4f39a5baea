"""The report of invented runs: one HTML file, escaped, complete, the same each time."""

from __future__ import annotations

import base64
import io
import itertools
import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from coldframe.errors import StoreError
from coldframe.frame import Flag, Frame, FrameInfo, Kind
from coldframe.hooks import Section
from coldframe.report.build import render, write_report
from coldframe.report.numbers import number
from coldframe.report.record import FrameRecord, MasterUse, ProductRecord, RunRecord
from coldframe.step import Column

START = datetime(2026, 1, 14, 22, 30, tzinfo=UTC)
EVIL = '<script>alert("x")</script>&amp;'
VOID = {"meta", "img", "br", "link", "input", "hr"}


class Page(HTMLParser):
    """Checks that every element is closed in order; keeps what the tests ask about."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not {"style", "script"} & set(self.open):
            self.words.append(data)

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.seen if name == tag]

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def pixels(value: float, *, colour: bool = True, noise: float = 1.0, **planes: np.ndarray) -> Frame:
    rng = np.random.default_rng(int(value))
    y, x = np.mgrid[:40, :60]
    star = 400 * np.exp(-((y - 20) ** 2 + (x - 30) ** 2) / 8)
    image = value + star + rng.normal(0, noise, (40, 60))
    flags = np.zeros((40, 60), np.uint8)
    flags[:2] = Flag.NO_DATA
    data = np.stack([image, image, image]) if colour else image
    info = FrameInfo(kind=Kind.LIGHT, cfa=None if colour else "RGGB")
    return Frame(data.astype(np.float32), flags, info, planes)


def full_run(lights: int = 6, name: str = "light") -> RunRecord:
    """A run in which everything is there."""
    frames = []
    store: dict[str, Frame] = {}
    for i in range(lights):
        info = FrameInfo(
            kind=Kind.LIGHT,
            path=f"/nights/first/{name}_{i}.dng",
            digest=f"{i:040x}",
            camera="Heron K2",
            iso=800,
            exposure=30.5,
            temperature=11.25 - i,
            start=START + timedelta(seconds=40 * i),
            target="Ring of reeds",
            night="/nights/first",
        )
        used = i != 2
        measures = {"sky": 812.25 + i, "noise": 9.125 + i / 8, "fwhm": 3.0625, "tilt": 0.5 * i}
        dark = MasterUse("dark", "dark-key", {"temperature": 1.75}, 0.875, "scaled from 60 s")
        frames.append(
            FrameRecord(
                f"l{i}",
                info,
                measures if used else {},
                used,
                "" if used else "only 2 stars",
                "" if used else "aligned",
                (dark,),
                {"clean": f"c{i}", "aligned": f"a{i}"},
            )
        )
        store[f"l{i}"] = pixels(1500 + i, colour=False, noise=9)
        store[f"c{i}"] = pixels(800 + i, colour=False, noise=9)
        store[f"a{i}"] = pixels(800 + i, noise=9)
    ids = tuple(frame.id for frame in frames if frame.used)
    count = np.full((40, 60), len(ids), np.float32)
    store["stack-key"] = pixels(800, noise=4, count=count, high=count / 5, low=count * 0)
    store["final-key"] = pixels(200, noise=4, background=count * 3, count=count)
    products = [
        ProductRecord(
            "stack-key",
            "stack",
            "integrate",
            "Ring of reeds",
            FrameInfo(kind=Kind.LIGHT),
            {"noise": 4.1875, "rejected_high": 0.625},
            ids,
        ),
        ProductRecord(
            "final-key",
            "final",
            "background-fit",
            "Ring of reeds",
            FrameInfo(kind=Kind.LIGHT),
            {"noise": 4.25},
            ids,
            ("final.fits", "final.png"),
            ("background",),
        ),
    ]
    master = ProductRecord(
        "dark-key", "dark", "combine", "dark · 60 s", FrameInfo(kind=Kind.DARK), {"noise": 0.75}, ()
    )
    return RunRecord(
        recipe="camera-lens",
        about="Uncooled camera",
        why_recipe="a colour camera without cooling",
        nights=("/nights/first",),
        frames=frames,
        masters=[master],
        products=products,
        columns={
            "sky": Column("ADU", "median of the sky"),
            "noise": Column("ADU", "robust sigma of the sky"),
            "fwhm": Column("px", "full width at half maximum"),
            "tilt": Column("deg", "tilt"),
        },
        warnings=["no flat of these optics"],
        timings={"stack": 12.5, "lights": 3.0},
        versions={"coldframe": "0.1.0"},
        steps=[
            {"id": "dark", "use": "combine", "masters": [], "params": {"kappa": 3.5}},
            {"id": "clean", "use": "calibrate", "masters": ["dark", "flat"], "params": {}},
            {"id": "aligned", "use": "register", "masters": [], "params": {"model": "auto"}},
            {"id": "stack", "use": "integrate", "masters": [], "params": {}},
            {"id": "final", "use": "background-fit", "masters": [], "params": {"order": 2}},
        ],
        elapsed=75.0,
        read=store.get,
    )


EMPTY = replace(
    full_run(0), masters=(), products=(), columns={}, warnings=(), timings={}, versions={}, steps=()
)


@pytest.fixture(scope="module")
def full_text() -> str:
    return render(full_run())


@pytest.fixture(scope="module")
def full_page(full_text: str) -> Page:
    return Page(full_text)


def test_every_number_of_the_record_is_on_the_page(full_page: Page) -> None:
    record = full_run()
    values = [value for frame in record.frames for value in frame.measures.values()]
    values += [frame.info.temperature for frame in record.frames]
    values += [v for product in record.products for v in product.measures.values()]
    values += [0.75, 1.75, 0.875, 30.5]
    words = set(re.findall(r"[-\d.]+", full_page.text))
    assert {number(value) for value in values} <= words | {"0"}


def test_table_of_lights_row_by_row(full_text: str) -> None:
    body = full_text[full_text.index("All lights, with what was measured") :]
    rows = re.findall(r"<tr.*?</tr>", body, flags=re.S)[1:7]
    cells = [re.findall(r"<t[hd][^>]*>([^<]*)</t[hd]>", row) for row in rows]
    assert cells[1] == [
        "light_1.dng", "2026-01-14 22:30:40", "30.5", "10.25", "yes", "813.2", "9.25", "3.062",
    ]  # fmt: skip
    assert cells[2][4:] == ["set aside", "–", "–", "–"]
    assert rows[2].startswith('<tr class="aside">')


def test_sort_keys_are_the_exact_values(full_page: Page) -> None:
    keys = {cell.get("data-v") for cell in full_page.all("td")}
    assert {"812.25", "9.125", "3.0625"} <= keys


def test_summary_leads_with_lights_exposure_and_depth(full_page: Page) -> None:
    text = full_page.text
    assert "5 of 6 lights are in the result: 2 min 32 s of exposure (5 × 30.5 s)." in text
    assert "1 light set aside: only 2 stars (light_2.dng)." in text
    assert "No master flat was at hand." in text
    assert "no flat of these optics" in text
    # Median of 9.125, 9.25, 9.5, 9.625, 9.75 over 4.1875, and 4.1875 against the best of these.
    assert "2.27 times less" in text
    best = sum(s**-2 for s in (9.125, 9.25, 9.5, 9.625, 9.75)) ** -0.5
    assert f"That is {number(100 * best / 4.1875, 3)}% of the best possible" in text


def test_pictures_are_images_inside_the_file(full_page: Page) -> None:
    images = full_page.all("img")
    for attrs in images:
        head, _, data = str(attrs["src"]).partition(",")
        assert head == "data:image/jpeg;base64"
        image = Image.open(io.BytesIO(base64.b64decode(data)))
        assert image.size == (int(str(attrs["width"])), int(str(attrs["height"])))
        assert attrs["alt"]
    # Result; light and stack; stack and result; raw and calibrated twice; four maps.
    assert len(images) == 1 + 2 + 2 + 4 + 4


def test_nothing_is_fetched_from_outside(full_text: str, full_page: Page) -> None:
    assert "http://" not in full_text
    assert "https://" not in full_text
    assert "@import" not in full_text
    for _, attrs in full_page.seen:
        for name in ("src", "href", "xlink:href", "data", "action", "srcset"):
            value = attrs.get(name)
            assert value is None or value.startswith(("data:", "#"))
    policy = next(a["content"] for a in full_page.all("meta") if "http-equiv" in a)
    assert policy is not None
    assert "default-src 'none'" in policy
    assert all(use.startswith("(#") for use in re.findall(r"url(\(.)", full_text))


def test_ids_are_unique_and_references_lead_somewhere(full_page: Page) -> None:
    ids = [attrs["id"] for _, attrs in full_page.seen if "id" in attrs]
    assert len(ids) == len(set(ids))
    for _, attrs in full_page.seen:
        for name in ("href", "aria-labelledby"):
            for target in str(attrs.get(name) or "").split():
                if not target.startswith("data:"):
                    assert target.removeprefix("#") in ids


def test_headings_go_down_one_level_at_a_time(full_page: Page) -> None:
    levels = [int(tag[1]) for tag, _ in full_page.seen if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))


def test_every_table_has_a_caption_and_scopes(full_page: Page) -> None:
    assert len(full_page.all("caption")) == len(full_page.all("table"))
    assert {attrs.get("scope") for attrs in full_page.all("th")} == {"col", "row"}
    assert all(attrs.get("role") == "img" for attrs in full_page.all("svg"))


def test_text_from_files_is_escaped_everywhere() -> None:
    record = full_run(name=EVIL)
    frames = [replace(frame, reason=EVIL, step=EVIL) for frame in record.frames]
    frames = [
        replace(f, info=replace(f.info, camera=EVIL, target=EVIL, filter=EVIL, kind_reason=EVIL))
        for f in frames
    ]
    hostile = replace(
        record,
        frames=frames,
        recipe=EVIL,
        about=EVIL,
        why_recipe=EVIL,
        nights=(EVIL,),
        warnings=(EVIL,),
        versions={EVIL: EVIL},
        timings={EVIL: 1.0},
        steps=[{**step, "params": {EVIL: EVIL}} for step in record.steps],
        products=[replace(p, label=EVIL, files=(EVIL,), planes=(EVIL,)) for p in record.products],
        masters=[replace(m, label=EVIL) for m in record.masters],
        columns={name: Column(EVIL, EVIL) for name in record.columns},
    )
    text = render(hostile)
    page = Page(text)
    assert "alert(" in page.text
    assert "<script>alert" not in text
    assert len(page.all("script")) == 1


def test_a_run_of_nothing_still_has_a_report() -> None:
    page = Page(render(EMPTY))
    assert "No light frames were found." in page.text
    assert page.all("img") == []


def test_pixels_that_are_gone_leave_the_numbers() -> None:
    page = Page(render(replace(full_run(), read=lambda key: None)))
    assert page.all("img") == []
    assert "The pixels of the result are no longer in the store." in page.text
    assert "5 of 6 lights are in the result" in page.text


def test_without_a_raw_light_the_other_pairs_stay() -> None:
    record = full_run()
    page = Page(
        render(replace(record, read=lambda key: None if key[0] == "l" else record.read(key)))
    )
    assert len(page.all("img")) == 1 + 2 + 2 + 4


@pytest.mark.parametrize("fill", [np.nan, 0.0, np.inf])
def test_a_picture_without_structure(fill: float) -> None:
    record = full_run()
    flat = Frame(np.full((3, 40, 60), fill, np.float32), np.zeros((40, 60), np.uint8), FrameInfo())
    Page(render(replace(record, read=lambda key: flat)))


def test_frames_without_any_fact() -> None:
    bare = [
        FrameRecord("a", FrameInfo(kind=Kind.LIGHT), {}, True),
        FrameRecord("b", FrameInfo(), {}, False),
    ]
    page = Page(render(replace(EMPTY, frames=bare)))
    assert "1 of 1 light is in the result. Their exposure is not recorded." in page.text
    assert "no reason recorded" in page.text


def test_plugin_sections_stand_where_their_order_says() -> None:
    extra = [
        Section("Afterword", 999, "<p>last</p>"),
        Section("Tilt", 45, "<p>of the <b>sensor</b></p>"),
    ]
    page = Page(render(full_run(), extra))
    words = page.text
    assert (
        words.index("All lights")
        < words.index("of the sensor")
        < words.index("Masters of each light")
    )
    assert words.rstrip().endswith("last")
    assert {"href": "#part-7"} in page.all("a")


def test_the_same_record_gives_the_same_bytes(full_text: str) -> None:
    assert render(full_run()) == full_text
    with ThreadPoolExecutor(4) as pool:
        assert render(full_run(), executor=pool) == full_text
    with np.printoptions(legacy="1.13"):  # as some packages set it
        assert render(full_run()) == full_text


def test_write_is_atomic_and_returns_the_path(tmp_path: Path, full_text: str) -> None:
    path = write_report(full_run(), tmp_path / "deep" / "report.html")
    assert path.read_text(encoding="utf-8") == full_text
    assert [p.name for p in path.parent.iterdir()] == ["report.html"]


def test_a_place_that_cannot_be_written_is_an_error_with_its_name(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match=r"report\.html"):
        write_report(EMPTY, tmp_path / "file" / "report.html")


def test_a_report_that_is_passed_on_tells_nothing_of_the_disk(full_text: str) -> None:
    assert "/nights/" not in full_text
    assert "first/light_1.dng" in full_text
