"""The kit finds the faults of readers and of parts of the report, and blames no sound one."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from coldframe.errors import SetAside
from coldframe.frame import Flag, Frame, FrameInfo
from coldframe.hooks import Section
from coldframe.plugins import find_plugins
from coldframe.product import write_frame
from coldframe.testing import (
    READER_RULES,
    SECTION_RULES,
    check_reader,
    check_report_section,
    sample_frames,
    sample_record,
)


class Sound:
    """Reads numpy's own format, facts from JSON beside it: every broken reader is this one but for
    one thing."""

    name = "sound"
    version = "1"
    about = "Numpy's own format"
    suffixes = (".npy",)

    def read_info(self, path):
        data, facts = self.load(path)
        info = FrameInfo(**{"path": str(path), "shape": data.shape, **facts, **self.more()})
        return [(info, facts)]

    def read_frame(self, info):
        data, _ = self.load(info.path)
        return Frame(self.made(data), self.flags(data, info), info)

    def load(self, path):
        try:
            data = np.load(path, allow_pickle=False)
        except (ValueError, EOFError) as error:
            raise SetAside(f"{path} is no whole array: {error}") from None
        return data, {"white": 4095.0}

    def more(self):
        return {}

    def made(self, data):
        return data

    def flags(self, data, info):
        return np.where(data >= 4095, Flag.SATURATED, 0).astype(np.uint8)


def variant(**changes):
    return type("Broken", (Sound,), changes)()


class Keeps(Sound):
    def read_info(self, path):
        self.last = path
        return super().read_info(path)


class Writes(Sound):
    def read_frame(self, info):
        with Path(info.path).open("ab") as file:
            file.write(b" ")
        return super().read_frame(info)


class Crashes(Sound):
    def load(self, path):
        return np.load(path, allow_pickle=False), {}


def lenient(self, path):
    try:
        return np.load(path, allow_pickle=False), {"white": 4095.0}
    except (ValueError, EOFError):
        return np.zeros((5, 6), np.uint16), {}


BROKEN_READERS = {
    "declared": [
        (variant(suffixes=(".NPY",)), "write it in lower case"),
        (variant(suffixes=("npy",)), "needs its dot"),
        (variant(suffixes=(".raw",)), "has none of the suffixes .raw"),
        (variant(version=2), "version is 2, not a text"),
    ],
    "facts": [
        (variant(more=lambda self: {"exposure": -1.0}), "info.exposure is -1.0"),
        (variant(more=lambda self: {"temperature": 290.0}), "it is in °C"),
        (variant(more=lambda self: {"cfa": "bayer"}), "give four colours such as RGGB"),
        (variant(more=lambda self: {"black": (1.0, 2.0)}), "give one, or four"),
        (variant(more=lambda self: {"black": (5000.0,)}), "is not below info.white"),
        (variant(more=lambda self: {"shape": None}), "give (rows, columns)"),
    ],
    "pixels": [
        (variant(made=lambda self, data: data.astype(float)), "data is float64"),
        (variant(more=lambda self: {"shape": (6, 5)}), "were told"),
        (variant(made=lambda self, data: np.full(data.shape, np.nan, np.float32)), "NaN"),
    ],
    "saturated": [
        (variant(flags=lambda self, data, info: np.zeros(data.shape, np.uint8)), "1 pixels at or")
    ],
    "repeatable": [(Keeps(), "keeps something"), (Writes(), "it changed a file")],
    "damaged": [
        (Crashes(), "EOFError on a damaged"),
        (variant(load=lenient), "an empty file (frame.npy) is read as if it were sound"),
    ],
}
READERS = [(rule, *case) for rule, cases in BROKEN_READERS.items() for case in cases]


@pytest.fixture
def files(tmp_path):
    data = np.arange(30, dtype=np.uint16).reshape(5, 6)
    data[2, 2] = 4095
    np.save(tmp_path / "frame.npy", data)
    return [tmp_path / "frame.npy"]


def test_sound_readers_pass(files, tmp_path):
    check_reader(Sound(), files)
    path = tmp_path / "light.fits"
    (frame,) = sample_frames(1, shape=(60, 80), cfa="RGGB")
    write_frame(path, replace(frame, flags=np.zeros_like(frame.flags)))
    (fits,) = (reader for reader in find_plugins().readers if reader.name == "fits")
    check_reader(fits, [path])


@pytest.mark.parametrize(("rule", "reader", "words"), READERS)
def test_a_readers_fault_is_found_and_told(rule, reader, words, files):
    rest = [name for name in READER_RULES if name != rule]
    with pytest.raises(AssertionError) as told:
        check_reader(reader, files, leave_out=rest)
    assert f"reader 'sound' breaks the contract:\n  {rule}: " in str(told.value)
    assert words in str(told.value)


def test_every_rule_is_broken_by_some_case():
    assert set(BROKEN_READERS) == set(READER_RULES)
    assert set(BROKEN_SECTIONS) == set(SECTION_RULES)
    with pytest.raises(ValueError, match="no rule is called tile"):
        check_reader(Sound(), [], leave_out=["tile"])
    with pytest.raises(ValueError, match="no rule is called tile"):
        check_report_section(sound, leave_out=["tile"])


def sound(record):
    from html import escape

    rows = "".join(f"<li>{escape(f.info.label)}: {escape(f.reason)}</li>" for f in record.frames)
    return [Section("Reasons", 45, f'<ul>{rows}</ul><img src="data:image/png;base64,AA">')]


def html(text):
    return lambda record: [Section("A part", 45, text)]


count = iter(range(100))
BROKEN_SECTIONS = {
    "shape": [
        (lambda record: "<p>text</p>", "it returned str, not coldframe.hooks.Section"),
        (html("<p>one<p>"), "<p> is not closed"),
        (html("<p>one</div>"), "</div> closes what is not open"),
        (lambda record: [Section(" ", 1, "")], "has no title"),
        (lambda record: [Section("A part", "1", "")], "is no whole number"),
    ],
    "self_contained": [
        (html("<script>1</script>"), "<script> may not be in a report"),
        (html('<img src="https://example.org/a.png">'), "<img src> would load"),
        (html('<p style="background: url(a.png)">x</p>'), "would load something"),
    ],
    "escaped": [
        (
            lambda record: [Section("A part", 1, f"<p>{record.products[0].label}</b></p>")],
            "a name stands in it unescaped",
        )
    ],
    "unusual": [
        (lambda record: [Section(record.products[0].id, 1, "")], "a run without a stack: Index"),
        (
            lambda record: [Section("A part", 1, f"{min(f.info.exposure for f in record.frames)}")],
            "a run without any frame: ValueError",
        ),
    ],
    "repeatable": [(lambda record: [Section("A part", next(count), "")], "they are others")],
}
SECTIONS = [(rule, *case) for rule, cases in BROKEN_SECTIONS.items() for case in cases]


def test_sound_sections_pass():
    check_report_section(sound)


@pytest.mark.parametrize(("rule", "hook", "words"), SECTIONS)
def test_a_sections_fault_is_found_and_told(rule, hook, words):
    rest = [name for name in SECTION_RULES if name != rule]
    with pytest.raises(AssertionError) as told:
        check_report_section(hook, leave_out=rest)
    assert f"the report section breaks the contract:\n  {rule}: " in str(told.value)
    assert words in str(told.value)


def test_the_sample_record_is_like_a_runs():
    record = sample_record()
    assert [frame.used for frame in record.frames] == [True, True, True, False]
    assert record.read(record.products[0].id).data.shape == (24, 32)
    assert record.read(record.frames[0].id).data.shape == (24, 32)
    assert record.read("nothing") is None
    assert json.dumps([frame.info.to_dict() for frame in record.frames])
