"""The report in a headless Chromium: nothing fetched, no error, slider, strip and form at work."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from browser import CHROMIUM, Browser
from PIL import Image
from proofsim import proved
from test_report import full_run

from coldframe.report.build import write_report

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium is installed here")

# The values of CSS that matter: what is visible, and where.
BOX = "(e => { const b = e.getBoundingClientRect(); return [b.left, b.top, b.width, b.height]; })"


@pytest.fixture(scope="module")
def report(tmp_path_factory) -> Path:
    return write_report(proved(full_run()), tmp_path_factory.mktemp("page") / "report.html")


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    with Browser(tmp_path_factory.mktemp("profile")) as opened:
        yield opened


@pytest.fixture
def page(browser, report):
    browser.open(report)
    return browser


def place(browser, selector: str) -> tuple[float, float, float, float]:
    """Box of an element, scrolled into view."""
    browser.run(f"document.querySelector({selector!r}).scrollIntoView({{block: 'center'}})")
    return tuple(browser.run(f"{BOX}(document.querySelector({selector!r}))"))


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("width", [390, 1280])
def test_it_renders_without_an_error_or_a_request(browser, report, width, dark):
    browser.open(report, width=width, dark=dark)
    browser.run("new Promise(done => setTimeout(done, 50))")
    assert browser.told("Runtime.exceptionThrown", "Log.entryAdded") == []
    assert [m for m in browser.told("Runtime.consoleAPICalled") if m["type"] != "log"] == []
    asked = [r["request"]["url"] for r in browser.told("Network.requestWillBeSent")]
    assert [url for url in asked if not url.startswith("data:")] == [report.as_uri()]
    broken = "[...document.images].filter(i => !i.complete || !i.naturalWidth).length"
    assert browser.run(broken) == 0
    # Nothing sticks out: wide tables scroll by themselves.
    assert browser.run("document.documentElement.scrollWidth") <= width
    paper = np.asarray(Image.open(io.BytesIO(browser.picture())).convert("L"))[5, 5]
    assert (paper < 60) == dark


def test_the_slider_moves_with_keys_and_mouse(page):
    split = "parseFloat(document.querySelector('.pair').style.getPropertyValue('--split'))"
    assert page.run(split) == 50
    page.run("document.querySelector('.slider input').focus()")
    for _ in range(3):
        page.key("ArrowRight", 39)
    assert page.run(split) == 53
    text = page.run("document.querySelector('.slider input').getAttribute('aria-valuetext')")
    assert text.startswith("53% ")
    x, y, width, height = place(page, ".pair img")
    page.mouse("Pressed", x + width * 0.25, y + height / 2, pressed=True)
    page.mouse("Moved", x + width * 0.8, y + height / 2, pressed=True)
    page.mouse("Released", x + width * 0.8, y + height / 2)
    assert page.run(split) == pytest.approx(80, abs=1)
    page.mouse("Moved", x + width * 0.4, y + height / 2)  # not held: stays
    assert page.run(split) == pytest.approx(80, abs=1)


def test_both_pictures_lie_in_one_place_or_side_by_side(page):
    first, second = (f".pair figure:nth-child({n}) img" for n in (1, 2))
    assert place(page, first)[0] == place(page, second)[0]
    page.run("document.querySelector('.slider button').click()")
    assert place(page, second)[0] > place(page, first)[0] + 100
    assert page.run("document.querySelector('.slider input').hidden")
    page.run("document.querySelector('.slider button').click()")
    assert place(page, first)[0] == place(page, second)[0]


def chosen(page) -> str:
    return page.run("document.querySelector('.chosen b').textContent")


def test_pointing_at_a_picture_or_a_dot_shows_the_light(page):
    assert chosen(page) == "light_0.dng"
    x, y, width, height = place(page, ".strip button[data-frame=l3]")
    page.mouse("Moved", x + width / 2, y + height / 2)
    assert chosen(page) == "light_3.dng"
    assert "Sky815.2 ADU" in page.run("document.querySelector('.chosen').textContent")
    on = "[...document.querySelectorAll('use.on')].map(u => u.dataset.frame)"
    assert set(page.run(on)) == {"l3"}
    x, y, width, height = place(page, "use[data-frame=l4]")
    page.mouse("Moved", x + width / 2, y + height / 2)
    assert chosen(page) == "light_4.dng"
    assert page.run("document.querySelector('.chosen img').naturalWidth") > 0


def test_the_strip_is_walked_with_arrow_keys(page):
    page.run("document.querySelector('.strip button').focus()")
    page.key("ArrowRight", 39)
    page.key("ArrowRight", 39)
    assert chosen(page) == "light_2.dng"
    assert "set aside: only 2 stars" in page.run("document.querySelector('.chosen').textContent")
    assert page.run("document.activeElement.dataset.frame") == "l2"
    page.key("End", 35)
    assert chosen(page) == "light_5.dng"
    # One stop for the tabulator key, however many lights there are.
    stops = "[...document.querySelectorAll('.strip button')].filter(b => b.tabIndex === 0).length"
    assert page.run(stops) == 1


def test_the_target_depth_is_answered_as_the_table_says(page):
    rows = page.run(
        "[...document.querySelectorAll('caption')].find(c => c.textContent.startsWith('Lights that'))"
        ".parentElement.innerText"
    )
    for wish in ("0.5", "1"):
        page.run(
            "(() => { const i = document.querySelector('.target-depth input'); "
            f"i.value = '{wish}'; i.dispatchEvent(new Event('input')); }})()"
        )
        said = page.run("document.querySelector('.target-depth output').textContent")
        line = next(r for r in rows.splitlines() if r.startswith(f"{wish}\t")).split("\t")
        assert f"takes {line[2]} lights, {line[3]} more than now" in said
    page.run(
        "(() => { const i = document.querySelector('.target-depth input'); "
        "i.value = '5'; i.dispatchEvent(new Event('input')); })()"
    )
    assert "out of reach" in page.run("document.querySelector('.target-depth output').textContent")


def test_tables_sort_and_every_control_has_a_name(page):
    page.run("document.querySelector('table.sortable th button').click()")
    sort = "document.querySelector('table.sortable th').getAttribute('aria-sort')"
    assert page.run(sort) == "ascending"
    tree = page.call("Accessibility.getFullAXTree")["nodes"]
    controls = {"button", "slider", "spinbutton", "link", "image"}
    nameless = [
        node
        for node in tree
        if node.get("role", {}).get("value") in controls
        and not node.get("ignored")
        and not node.get("name", {}).get("value")
    ]
    assert nameless == []


def test_it_prints_side_by_side_on_white(page):
    page.call("Emulation.setEmulatedMedia", media="print")
    first, second = (f".pair figure:nth-child({n}) img" for n in (1, 2))
    assert place(page, second)[0] > place(page, first)[0] + 50
    assert page.run("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert page.run("getComputedStyle(document.querySelector('.slider')).display") == "none"
    made = page.call("Page.printToPDF", printBackground=True)["data"]
    assert len(made) > 10_000
    page.call("Emulation.setEmulatedMedia", media="")


def test_without_scripts_all_is_there(browser, report):
    browser.call("Emulation.setScriptExecutionDisabled", value=True)
    try:
        browser.open(report)
        tree = browser.call("Accessibility.getFullAXTree")["nodes"]
        text = " ".join(str(node.get("name", {}).get("value", "")) for node in tree)
        assert "Without the dark: the whole field" in text
        assert not any(node.get("role", {}).get("value") == "spinbutton" for node in tree)
        assert "set aside: only 2 stars" in text
    finally:
        browser.call("Emulation.setScriptExecutionDisabled", value=False)
