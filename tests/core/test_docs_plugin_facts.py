"""docs/plugin-facts.md names every field of what plugins are given, in order, and no other."""

import re
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from coldframe.frame import Frame, FrameInfo
from coldframe.hooks import Section
from coldframe.report.record import FrameRecord, ProductRecord, RunRecord
from coldframe.step import Context, Flow, Row, Tile
from coldframe.testing import sample_frames

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs/plugin-facts.md").read_text(encoding="utf-8")


def _names(heading):
    part = re.search(rf"^## {heading}$(.*?)(?=^## |\Z)", PAGE, re.M | re.S)
    return re.findall(r"^\| `([^`]+)` \|", part[1], re.M)


@pytest.mark.parametrize(
    "given",
    [FrameInfo, Frame, Row, Tile, Context, RunRecord, FrameRecord, ProductRecord, Section],
    ids=lambda given: given.__name__,
)
def test_every_field_is_on_the_page(given):
    assert _names(given.__name__) == [field.name for field in fields(given)]


def test_header_keys_are_those_that_the_engine_asks_for():
    code = (ROOT / "core/coldframe/night.py").read_text(encoding="utf-8")
    asked = set(re.findall(r"header\.get\(\"([^\"]+)\"\)", code))
    assert set(_names("What a reader tells the engine in the header")) == asked


def test_the_pages_example_keeps_its_facts_right():
    from coldframe.made_facts import wrong_facts

    space = {}
    exec(re.search(r"```python\n(.*?)```", PAGE, re.S)[1], space)
    (frame,) = sample_frames(1, shape=(41, 60))
    made = space["binned"](frame)
    assert list(wrong_facts(frame, made, Flow())) == []
    assert made.data[3, 4] == pytest.approx(frame.data[6:8, 8:10].mean())
    # The noise of a mean of four is half; in electrons at the gain given that is as before.
    assert (made.info.gain, made.info.read_noise) == (2.0, 8.0)
    assert np.count_nonzero(made.flags) > 0
