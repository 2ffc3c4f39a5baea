"""Pages and commands say each caution in the words of `coldframe.cautions`, where it is needed."""

import re
from pathlib import Path

import pytest

from coldframe.camera.needs import Need, flats_missing
from coldframe.cautions import (
    ALL,
    FLATS,
    FOR_FLATS,
    IN_TERMINAL,
    OUTSIDE,
    SUN,
    SUNRISE,
    WATCHING,
    for_frames,
)
from coldframe.cli.watch_show import screen
from coldframe.frame import Kind
from coldframe.watching.state import Snapshot
from coldframe.watching.trends import Light, warnings

ROOT = Path(__file__).parents[2]
DOCS = sorted((ROOT / "docs").glob("*.md"))
PAGES = {
    "shooting.md": ALL,
    "cameras.md": FOR_FLATS,
    "tutorial.md": FOR_FLATS,
    "watch.md": WATCHING,
}


@pytest.mark.parametrize("caution", ALL, ids=lambda c: c.title)
def test_each_gives_way_to_local_rules_and_qualified_people(caution):
    assert re.search(r"\b[Ll]ocal (\w+ and )?(rules|law)\b", caution.words)
    assert "qualified" in caution.words


@pytest.mark.parametrize(
    ("title", "words"),
    [
        ("The sun", ("never look through", SUNRISE, "blinds")),
        ("Light for flats", ("sun is never the lamp", "well before sunrise")),
        ("Power and dew heaters", ("fuse", "lead", "overheat", "alone")),
        ("Balconies, roofs and wind", ("Secure", "Do not lean", "roofs", "wind")),
        ("Lasers", ("aircraft",)),
        ("Cold and ice", ("ice", "Dress")),
    ],
)
def test_what_a_night_can_do_to_people_is_said(title, words):
    caution = next(c for c in ALL if c.title == title)
    assert [word for word in words if word not in caution.words] == []


@pytest.mark.parametrize("page", PAGES)
def test_a_page_says_them_in_the_same_words(page):
    text = (ROOT / "docs" / page).read_text(encoding="utf-8")
    for caution in PAGES[page]:
        assert f"**{caution.title}.** {caution.words}" in text, caution.title


def test_the_sun_comes_before_any_word_of_twilight_to_shoot_in():
    text = (ROOT / "docs/shooting.md").read_text(encoding="utf-8")
    assert text.index(SUN.words) < text.index("twilight")
    assert text.index(SUN.words) < text.index("dawn")


def test_the_heading_is_safety():
    """One word for it in all pages and in what the code prints."""
    old = re.compile(r"\bMind\b|\bmind:|[Ss]taying[ -]safe")
    code = [p for top in ("core", "plugins") for p in (ROOT / top).rglob("*.py")]
    found = [p.name for p in (*DOCS, *code) if old.search(p.read_text(encoding="utf-8"))]
    assert found == []
    for page in ("shooting.md", "watch.md"):
        assert "\n## Safety\n" in (ROOT / "docs" / page).read_text(encoding="utf-8")


def test_where_a_command_points_there_is_the_heading():
    page = re.search(r"docs/\S+\.md", IN_TERMINAL)[0]
    assert "## Safety" in (ROOT / page).read_text(encoding="utf-8")


def test_cautions_fit_the_frames_that_are_to_be_shot():
    assert for_frames([]) == ()
    assert for_frames([Kind.DARK]) == (SUN, *OUTSIDE)
    assert for_frames([Kind.DARK, Kind.FLAT]) == ALL
    assert FLATS in for_frames([Kind.FLAT])


def test_measuring_tells_when_flats_are_still_asked_for():
    assert flats_missing([Need("gain", False, "", "pairs of flats")])
    assert not flats_missing([Need("gain", True, "", "pairs of flats")])
    assert not flats_missing([Need("DSNU", False, "", "bias frames")])


def test_a_watched_night_begins_with_its_cautions(capsys):
    with screen(False, "") as show:
        show(Snapshot())
    said = capsys.readouterr().err
    for caution in WATCHING:
        assert f"safety: {caution}\n" in said
    assert Snapshot().to_dict()["cautions"] == [str(caution) for caution in WATCHING]


def test_a_sky_that_grows_brighter_calls_for_caps_before_sunrise():
    dawn = [Light(str(i), sky=10 * 1.2**i) for i in range(8)]
    (warning,) = warnings(dawn)
    assert warning.startswith("the sky grows brighter")
    assert warning.endswith(SUNRISE)
