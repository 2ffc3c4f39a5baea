"""The page of a comparison in a headless Chromium: pictures swap and blink when asked to."""

from __future__ import annotations

import time

import numpy as np
import pytest
from browser import CHROMIUM, Browser
from comparesim import field

from coldframe.comparing.bootstrap import Interval
from coldframe.comparing.compare import Compared
from coldframe.comparing.figures import Comparison, Figure
from coldframe.comparing.folder import RunFolder
from coldframe.comparing.page import comparison_part, laid_on, write_comparison
from coldframe.comparing.stars import Shared
from coldframe.frame import Flag, Frame, FrameInfo
from coldframe.store import Store


def frame(image) -> Frame:
    data = np.asarray(image, np.float32)
    return Frame(data, np.zeros(data.shape, np.uint8), FrameInfo())


@pytest.fixture(scope="module")
def compared(draw_stars) -> Compared:
    rng = np.random.default_rng(1)
    a = frame(field(draw_stars, rng))
    b = frame(field(draw_stars, rng, shift=(6.0, -4.0), flux=2.0))
    at = np.array([[50.0, 60], [100, 200], [150, 90]])
    shared = Shared(at, at + np.array([6.0, -4.0]), np.eye(2), np.array([6.0, -4.0]))
    figures = (
        Figure("deeper", "noise of the sky", "ADU", 2.0, 1.8, 0.1, Interval(0.1, 0.05, 0.15)),
        Figure("sharper", "FWHM of the same stars", "px", 2.5, 2.5, 0.0, None),
    )
    told = Comparison("Reed <Bank>", (12, 12, 12), 3, figures, ["B was laid on A."])
    return Compared(told, a, b, shared, 2.0)


@pytest.fixture(scope="module")
def page(compared, tmp_path_factory):
    folder = tmp_path_factory.mktemp("page")
    runs = [
        RunFolder(folder, name, "plain", {}, ("night",), {}, {}, Store(folder))
        for name in ("reeds", "reeds-two")
    ]
    parts = [comparison_part(compared, 1)]
    return write_comparison(runs, parts, ["x.y: 1, then 2"], ["mind"], folder / "compare.html")


def test_b_is_laid_on_a_at_equal_star_light(compared):
    b = laid_on(compared)
    good = (b.flags & np.uint8(Flag.NO_DATA)) == 0
    assert 0.9 < good.mean() < 1
    bright = good & (compared.a.data > 3000)
    stars = (b.data - np.median(b.data[good])) / (compared.a.data - np.median(compared.a.data))
    assert np.median(stars[bright]) == pytest.approx(1, abs=0.05)


def test_the_page_tells_the_figures_and_escapes_names(page):
    text = page.read_text()
    assert "B is 11% deeper (95% interval 5.1 to 16%)" in text
    assert "Reed &lt;Bank&gt;" in text
    assert "<Bank>" not in text


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium is installed")
def test_pictures_swap_and_blink(page, tmp_path):
    with Browser(tmp_path) as browser:
        browser.open(page)
        split = "document.querySelector('.blink').style.getPropertyValue('--split')"
        buttons = "Array.from(document.querySelectorAll('.slider button'))"
        browser.run("document.querySelectorAll('.slider button')[1].focus()")
        assert browser.run(f"{buttons}.map(b => b.textContent)") == [
            "Side by side", "Swap A and B", "Blink once a second",
        ]  # fmt: skip
        browser.key(" ", 32)
        assert browser.run(split) == "100%"
        browser.run(f"{buttons}[1].click()")
        assert browser.run(split) == "0%"
        assert (
            browser.run("document.querySelector('.slider [role=status]').textContent")
            == "Showing B"
        )
        browser.run(f"{buttons}[2].click()")
        seen, until = [], time.monotonic() + 20
        while len(set(seen)) < 2 and time.monotonic() < until:
            seen.append(browser.run(split))
            time.sleep(0.1)
        assert set(seen) == {"0%", "100%"}
        assert browser.run(f"{buttons}[2].getAttribute('aria-pressed')") == "true"
        browser.run(f"{buttons}[2].click()")
        assert browser.run(f"{buttons}[2].getAttribute('aria-pressed')") == "false"
        # Beside each other nothing can blink: asking for it lays one over the other again.
        browser.run(f"{buttons}[0].click()")
        browser.run(f"{buttons}[1].click()")
        assert browser.run("document.querySelector('.blink').classList.contains('sliding')")
        wide = "document.documentElement.scrollWidth > innerWidth"
        browser.open(page, 360, 740, dark=True)
        assert not browser.run(wide)
        assert not browser.told("Runtime.exceptionThrown", "Log.entryAdded")
        asked = [e["request"]["url"] for e in browser.told("Network.requestWillBeSent")]
        assert all(url.startswith(("file:", "data:")) for url in asked)


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium is installed")
def test_nothing_blinks_where_motion_is_unwanted(page, tmp_path):
    with Browser(tmp_path) as browser:
        browser.open(page)
        calm = {"name": "prefers-reduced-motion", "value": "reduce"}
        hidden = "document.querySelectorAll('.slider button')[2].hidden"
        assert not browser.run(hidden)
        browser.call("Emulation.setEmulatedMedia", features=[calm])
        assert browser.run(f"new Promise(done => setTimeout(() => done({hidden}), 200))")
        browser.run("document.querySelectorAll('.slider button')[1].click()")
        status = "document.querySelector('.slider [role=status]').textContent"
        assert browser.run(status) == "Showing A"
