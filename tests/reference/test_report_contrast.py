"""The report's colours stand out enough, by day and by night.

Source: Web Content Accessibility Guidelines (WCAG) 2.2, W3C Recommendation 2023: relative luminance
and contrast ratio as defined there; 1.4.3 asks 4.5 : 1 of text, 1.4.11 asks 3 : 1 of graphics.
"""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

CSS = files("coldframe.report").joinpath("page.css").read_text(encoding="utf-8")
THEMES = {
    "light": ":root {",
    "dark": "@media (prefers-color-scheme: dark)",
    "print": "@media print",
}


def luminance(colour: str) -> float:
    if len(colour) == 4:
        colour = "#" + "".join(2 * c for c in colour[1:])
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def theme(name: str) -> dict[str, str]:
    text = CSS[CSS.index(THEMES[name]) :]
    return dict(re.findall(r"--(\w+):\s*(#[0-9a-f]{3,6});", text[: text.index("}")]))


def test_known_ratios() -> None:
    """Black on white is 21 : 1 by the definition; #767676 on white is 4.54 : 1 (from memory)."""
    assert contrast("#000", "#fff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("name", THEMES)
@pytest.mark.parametrize("ground", ["paper", "card", "tint"])
@pytest.mark.parametrize("text", ["ink", "soft", "link"])
def test_text(name: str, ground: str, text: str) -> None:
    colours = theme(name)
    assert contrast(colours[text], colours[ground]) >= 4.5


@pytest.mark.parametrize("name", THEMES)
@pytest.mark.parametrize("mark", ["used", "aside"])
def test_marks_in_plots(name: str, mark: str) -> None:
    colours = theme(name)
    assert contrast(colours[mark], colours["paper"]) >= 3.0
