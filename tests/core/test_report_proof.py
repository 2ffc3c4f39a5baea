"""The parts of the report that prove the run: figures, words and pictures from a record."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from proofsim import NOISE, proved
from test_report import Page, full_run

from coldframe.cautions import ALL, IN_REPORT
from coldframe.report.advice import bring_back
from coldframe.report.build import render
from coldframe.report.figures import Depth, changes, depth, positions
from coldframe.report.findings import lights


@pytest.fixture(scope="module")
def record():
    return proved(full_run())


@pytest.fixture(scope="module")
def page(record):
    return Page(render(record))


def test_positions_on_the_sensor_count_by_their_lights(record):
    stack = record.products[0]
    assert positions(record, stack) == pytest.approx(5)  # five lights, all elsewhere

    def at(places):
        moves = dict(zip(stack.frames, places, strict=True))
        frames = [
            replace(f, measures={"shift_y": moves[f.id], "shift_x": 0.0}) if f.id in moves else f
            for f in record.frames
        ]
        return positions(replace(record, frames=frames), stack)

    assert at([0, 0, 0, 0, 0]) == 1
    assert at([0, 0.3, -0.4, 0.2, 0.1]) == 1
    # Four at one place and one at another: 1 / (0.8^2 + 0.2^2).
    assert at([0, 0, 0, 0, 50]) == pytest.approx(1 / 0.68)
    assert positions(full_run(), stack) == 1


def test_floor_and_lights_needed(record):
    found = depth(record)
    # A master's share of a light's noise, 1.0 / 10 and 0.5 / 10, of the first light, over sqrt(5).
    assert found.floors == {
        "dark": pytest.approx(0.1 * NOISE[0] / math.sqrt(5)),
        "flat": pytest.approx(0.05 * NOISE[0] / math.sqrt(5)),
    }
    floor = NOISE[0] * math.hypot(0.1, 0.05) / math.sqrt(5)
    assert found.floor == pytest.approx(floor)
    assert found.expected(found.lights) == pytest.approx(NOISE[-1])
    for wish in (2.0, 1.0, 0.5):
        needed = found.needed(wish)
        assert found.expected(needed) <= wish < found.expected(needed - 1)
    assert found.needed(floor) is None
    assert found.exposure == 30.5


def test_without_floor_half_the_noise_takes_four_times_the_lights():
    found = Depth((1, 2, 10), (9.0, 6.4, 3.0), (0.0,) * 3, {}, 1.0, 60.0)
    assert found.needed(1.5) == 40
    assert found.needed(3.0) == 10


def test_changes_before_and_after(record):
    found = {change.name: change for change in changes(record)}
    hot = found["Hot pixels that show in one light"]
    assert (hot.before, hot.after, hot.note) == (300, 1.7, "410 known from the dark")
    corners = found["Corners darker than the centre"]
    assert (corners.before, corners.after) == (pytest.approx(31), pytest.approx(0.4))
    dust = found["Depth of the deepest dust shadow"]
    assert (dust.before, dust.after) == (pytest.approx(4.5), pytest.approx(0.1))
    assert dust.error == pytest.approx(0.05)
    rows = found["Pattern of rows"]
    assert (rows.before, rows.after, rows.error) == (3.0, 0.2, pytest.approx(0.2))
    # One light is too noisy to show its columns: the dark tells what they are.
    columns = found["Pattern of columns"]
    assert columns.before == 1.25
    assert "as the dark has it" in columns.note
    gradient = found["Gradient of the sky, corner to corner"]
    assert (gradient.before, gradient.after) == (55, 1.5)


def test_the_page_tells_it_in_words(page):
    text = page.text
    assert "Half of that noise, 0.75 mag deeper, takes" in text
    assert re.search(f"takes [0-9]+ more lights?[^.]*[.] {re.escape(IN_REPORT)}", text)
    assert [caution.title for caution in ALL if str(caution) not in text] == []
    # The words round as the table does: 1.7 hot pixels left beside 300 are 2.
    assert "300 before and 2 after; corners darker than the centre, 31 % before and 0.4 %" in text
    assert "there is no stack without the dark-flat, because it needs a bias" in text
    assert "Without the flat only 2 lights could be stacked, against 3 with it." in text
    assert "Leaving the bias out changes nothing that can be seen here" in text
    assert "The masters' own noise sets a floor of 0.4 ADU" in text
    assert "Trail in light_1.dng" in text
    assert "40 bright stars of 3 lights" in text
    alts = [image.get("alt") for image in page.all("img")]
    for kind in ("dark", "flat"):
        assert sum(alt.startswith(f"Without the {kind}:") for alt in alts) == 2
    assert not [alt for alt in alts if alt.startswith("Without the bias")]


def test_every_light_is_in_the_strip(page, record):
    buttons = [attrs for attrs in page.all("button") if "data-frame" in attrs]
    assert [b["data-frame"] for b in buttons] == [f.id for f in lights(record)]
    assert [b["aria-label"] for b in buttons if "set aside" in b["aria-label"]] == [
        "light_2.dng, set aside"
    ]
    dots = {attrs["data-frame"] for attrs in page.all("use") if "data-frame" in attrs}
    assert dots == {f.id for f in record.frames}


def test_a_proof_whose_numbers_are_gone_leaves_a_sound_page(record):
    Page(render(replace(record, numbers=lambda key: None)))
    Page(render(replace(record, numbers=lambda key: None, read=lambda key: None)))
    empty = {"frame": np.zeros(0), "start": np.zeros((0, 2)), "end": np.zeros((0, 2))}
    numbers = record.numbers
    page = Page(render(replace(record, numbers=lambda k: empty if k == "t" else numbers(k))))
    assert "No trail was found among the rejected pixels." in page.text


STEPS = [
    {"id": "clean", "params": {}},
    {"id": "aligned", "params": {"min_stars": 10, "max_blur": 1.5, "max_residual": 1.0}},
]


@pytest.mark.parametrize(
    ("step", "reason", "said"),
    [
        ("inspect", "cloud: 0 stars where comparable frames show 494", "--use-anyway 'light_0.dng'"),
        ("aligned", "only 2 stars found, 10 needed ('min_stars')", "a clear sky or good focus; a lower limit with --with aligned.min_stars=... (now 10)"),
        ("aligned", "1.9 times the usual 3 px, 1.5 times allowed ('max_blur')", "aligned.max_blur=... (now 1.5)"),
        ("clean", "no dark serves it: 3.0 °C warmer", "dark frames that match this light"),
        ("clean", "has 10 x 10 pixels and the master dark 12 x 12", "masters of the same size"),
        ("load", "light.dng cannot be read: truncated", "a sound copy of the file"),
        ("recipe", "the recipe 'x' has no use for flat frames", "a recipe with an input"),
        ("aligned", "another field than light_1.dng? none of the alignments", "nothing but a better frame"),
    ],
)  # fmt: skip
def test_what_would_bring_a_frame_back(step, reason, said):
    run = replace(full_run(1), steps=STEPS)
    frame = replace(run.frames[0], used=False, step=step, reason=reason)
    assert said in bring_back(run, frame)
