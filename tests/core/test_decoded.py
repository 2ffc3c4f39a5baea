"""A source frame is decoded once for all that look at it, within the memory that there is."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from coldframe.decoded import Decoded
from coldframe.frame import Frame, FrameInfo
from coldframe.plugins import find_plugins
from coldframe.prepared import Request
from coldframe.session import prepare, run


class Reader:
    """Frames of 8 x 10 pixels, 160 bytes; fills in what is not known."""

    name, version, suffixes = "toy", "1", (".toy",)

    def __init__(self, flagged=3):
        self.read, self.flagged = [], flagged

    def read_info(self, path):
        return []

    def read_frame(self, info):
        self.read.append(info.path)
        flags = np.zeros((8, 10), np.uint8)
        flags.reshape(-1)[: self.flagged] = 2
        data = np.full((8, 10), len(info.path), np.uint16)
        return Frame(data, flags, replace(info, shape=data.shape, cfa=info.cfa or "RGGB"))


def info(path="a", **more):
    return FrameInfo(path=path, digest=f"digest of {path}", **more)


def test_a_frame_is_read_once_and_comes_back_the_same():
    reader, kept = Reader(), Decoded()
    kept.keep(1000)
    first = kept.read(reader, info())
    again = kept.read(reader, first.info)
    assert reader.read == ["a"]
    np.testing.assert_array_equal(again.data, first.data)
    np.testing.assert_array_equal(again.flags, first.flags)
    assert again.info == first.info


@pytest.mark.parametrize(
    "other", [{"digest": "other"}, {"plane": 1}, {"cfa": "GBRG"}, {"white": 9.0}, {"path": "b"}]
)
def test_what_differs_is_read_for_itself(other):
    reader, kept = Reader(), Decoded()
    kept.keep(1000)
    first = kept.read(reader, info())
    kept.read(reader, replace(first.info, **other))
    assert len(reader.read) == 2


def test_no_more_is_kept_than_there_is_room():
    reader, kept = Reader(), Decoded()
    assert kept.keep(450) == 0
    for path in "abcabc":
        kept.read(reader, replace(info(path), cfa="RGGB"))
    assert Counter(reader.read) == {"a": 1, "b": 1, "c": 2}
    assert 160 <= kept.keep(300) < 300
    assert kept.keep(0) == 0


def test_what_cannot_be_told_by_content_or_is_full_of_flags_is_not_kept():
    for reader, asked in ((Reader(), FrameInfo(path="a", cfa="RGGB")), (Reader(40), info())):
        kept = Decoded()
        kept.keep(10_000)
        kept.read(reader, asked)
        kept.read(reader, replace(asked, cfa="RGGB"))
        assert len(reader.read) == 2


@pytest.mark.parametrize("room", [True, False])
def test_a_run_decodes_each_raw_file_once_when_it_has_the_memory(
    demo_night, tmp_path, monkeypatch, room
):
    night = demo_night("colour").folder
    registry, read = find_plugins(), Counter()
    reader = next(r for r in registry.readers if r.name == "camera-raw")
    true_read = type(reader).read_frame

    def read_frame(self, info):
        read[info.path] += 1
        return true_read(self, info)

    monkeypatch.setattr(type(reader), "read_frame", read_frame)
    if not room:
        monkeypatch.setattr(Decoded, "_put", lambda *_: None)
    out = tmp_path / "out"
    request = Request((night,), out, out / "store", scheduler="sync", use_library=False)
    run(prepare(request, registry), registry)
    assert len(read) == 25
    assert (max(read.values()) == 1) == room
