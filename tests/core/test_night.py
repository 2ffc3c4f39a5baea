"""Scanning nights: which files are frames, whose word counts, what is set aside and why."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from coldframe.digests import DigestCache, file_digest
from coldframe.errors import RecipeError, SetAside, UsageError
from coldframe.frame import Frame, FrameInfo, Kind
from coldframe.night import NightScan, reader_for, scan
from coldframe_steps.load import plugin
from coldframe_steps.load.fits import FitsReader
from coldframe_steps.load.raw import RawReader

READERS = plugin.coldframe_readers()
START = datetime(2026, 1, 14, 21, 0, tzinfo=UTC)


def shot(path: Path, number: int = 0, *, level: float = 1000, **cards: Any) -> Path:
    """A small FITS frame; every number gives other pixels and a later time."""
    rng = np.random.default_rng(number)
    hdu = fits.PrimaryHDU(rng.normal(level, 5, (64, 96)).astype(np.uint16))
    facts: dict[str, Any] = {
        "IMAGETYP": "DARK",
        "EXPTIME": 60.0,
        "INSTRUME": "Aster M1",
        "DATE-OBS": (START + timedelta(minutes=number)).replace(tzinfo=None).isoformat(),
    }
    for name, value in (facts | {k.replace("_", "-"): v for k, v in cards.items()}).items():
        if value is not None:
            hdu.header[name] = value
    path.parent.mkdir(parents=True, exist_ok=True)
    hdu.writeto(path)
    return path


def see(*folders: Path, **options: Any) -> NightScan:
    def fix(info: FrameInfo, header: Mapping[str, Any]) -> FrameInfo:
        return plugin.coldframe_fix_metadata(info, header) or info

    return scan(folders, options.pop("readers", READERS), options.pop("fix", fix), **options)


def names(found: NightScan) -> list[str]:
    return [Path(info.path).name for info in found.frames]


@pytest.fixture
def night(tmp_path: Path) -> Path:
    return tmp_path / "2026-01-14"


def test_frames_come_in_order_of_time_then_path_from_all_folders_below(night: Path) -> None:
    shot(night / "b" / "x.fits", 3)
    shot(night / "a.fits", 5)
    shot(night / "c" / "d" / "y.fits", 1)
    shot(night / "z.fits", 8, DATE_OBS=None)
    shot(night / "e.fits", 9, DATE_OBS=None)
    found = see(night)
    assert names(found) == ["y.fits", "x.fits", "a.fits", "e.fits", "z.fits"]
    first = found.frames[0]
    assert first.path == str(night / "c" / "d" / "y.fits")
    assert first.night == "2026-01-14"
    assert first.digest == file_digest(night / "c" / "d" / "y.fits")
    assert (first.kind, first.kind_reason) == (Kind.DARK, "header: IMAGETYP = 'DARK'")
    assert found == see(night, workers=7)


def test_other_files_are_counted_and_strange_ones_named(night: Path) -> None:
    shot(night / "a.fits")
    for name in ("a.jpg", "notes.txt", "b.xyz", "c.xyz", ".hidden.fits", "LOG"):
        (night / name).write_bytes(b"x")
    (night / "notes.yaml").write_text("target: A\n")
    (night / ".trash").mkdir()
    shot(night / ".trash" / "t.fits", 2)
    found = see(night)
    assert names(found) == ["a.fits"]
    assert found.ignored == 5
    assert found.warnings == (
        "1 file without a suffix passed over: no plugin reads such files as frames",
        "2 files ending in .xyz passed over: no plugin reads such files as frames",
    )


def test_products_of_a_run_are_no_frames(night: Path) -> None:
    shot(night / "a.fits")
    shot(night / "stack" / "deep" / "p.fits", 1)
    (night / "stack" / "coldframe-run.json").write_text("{}")
    assert names(see(night)) == ["a.fits"]
    with pytest.raises(UsageError, match="output of a run"):
        see(night / "stack")


def test_missing_empty_and_frameless_folders_say_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"no folder .*; check the spelling"):
        see(tmp_path / "nowhere")
    (tmp_path / "empty").mkdir()
    with pytest.raises(UsageError, match="is empty; name the folder"):
        see(tmp_path / "empty")
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "a.jpg").write_bytes(b"x")
    with pytest.raises(UsageError, match=r"only files with \.jpg\. Frames end in .*\.dng.*\.fits"):
        see(tmp_path / "photos")
    with pytest.raises(UsageError, match="is a file"):
        see(shot(tmp_path / "a.fits"))
    with pytest.raises(UsageError, match="no night was given"):
        see()


def test_nights_that_share_a_name_are_told_apart_by_their_folders(tmp_path: Path) -> None:
    one, two, three = tmp_path / "a" / "jan", tmp_path / "b" / "jan", tmp_path / "feb"
    for number, folder in enumerate((one, two, three)):
        shot(folder / "x.fits", number)
    found = see(one, two, three)
    assert [info.night for info in found.frames] == ["a/jan", "b/jan", "feb"]
    assert found.nights == ("a/jan", "b/jan", "feb")


def test_a_night_inside_a_night_is_read_once(tmp_path: Path) -> None:
    shot(tmp_path / "all" / "a.fits", 1)
    shot(tmp_path / "all" / "inner" / "b.fits", 2)
    found = see(tmp_path / "all", tmp_path / "all" / "inner")
    assert [(Path(i.path).name, i.night) for i in found.frames] == [
        ("a.fits", "all"),
        ("b.fits", "inner"),
    ]


def test_copies_are_set_aside_and_the_first_is_kept(tmp_path: Path) -> None:
    original = shot(tmp_path / "one" / "a.fits", 1)
    (tmp_path / "one" / "b.fits").write_bytes(original.read_bytes())
    (tmp_path / "two").mkdir()
    (tmp_path / "two" / "c.fits").write_bytes(original.read_bytes())
    shot(tmp_path / "two" / "d.fits", 2)
    found = see(tmp_path / "one", tmp_path / "two")
    assert names(found) == ["a.fits", "d.fits"]
    assert found.set_aside == (
        ("b.fits", "is a copy of a.fits: the same bytes; one is enough"),
        ("c.fits", f"is a copy of {original}: the same bytes; one is enough"),
    )


def test_unreadable_files_are_set_aside_with_one_line_each(night: Path) -> None:
    shot(night / "good.fits")
    (night / "bad.fits").write_bytes(b"nothing")
    (night / "empty.dng").write_bytes(b"")
    (night / "short.tif").write_bytes(b"II*\0")
    found = see(night)
    assert names(found) == ["good.fits"]
    assert [label for label, _ in found.set_aside] == ["bad.fits", "empty.dng", "short.tif"]
    reasons = dict(found.set_aside)
    assert reasons["bad.fits"] == "is not a FITS file, or its first header is damaged"
    assert reasons["empty.dng"] == "is empty (0 bytes); copy it again from the camera"


class Strange(FitsReader):
    """A stranger's reader that fails in its own ways."""

    def read_info(self, path: Path) -> Sequence[tuple[FrameInfo, Mapping[str, Any]]]:
        if path.name.startswith("crash"):
            raise ZeroDivisionError("oh")
        if path.name.startswith("none"):
            return []
        naive = FrameInfo(path="elsewhere", start=datetime(2026, 1, 14, 20, 0), kind=Kind.DARK)
        return [(naive, {})]


def test_a_strangers_reader_may_fail_without_a_traceback(night: Path) -> None:
    for number, name in enumerate(("crash", "none", "fine")):
        shot(night / f"{name}.fits", number)
    found = see(night, readers=[Strange()])
    assert names(found) == ["fine.fits"]
    assert found.frames[0].start == datetime(2026, 1, 14, 20, 0, tzinfo=UTC)
    assert found.set_aside == (
        ("crash.fits", "the reader 'fits' failed: ZeroDivisionError: oh"),
        ("none.fits", "holds no frame"),
    )


def test_whose_word_on_a_frames_kind_counts(night: Path) -> None:
    for number, (name, word) in enumerate(
        {"a": "DARK", "b": "DARK", "c": None, "d": None, "e": "FOCUS", "f": "FOCUS"}.items()
    ):
        shot(night / f"{name}.fits", number, IMAGETYP=word)
    (night / "notes.yaml").write_text(
        "kinds: {bias: [a.fits, c.fits], flat: f.fits}\nfiles: [{match: b.fits, kind: dark-flat}]\n"
    )
    found = see(night, patterns={"light": ["c.fits", "d.fits"]})
    assert {Path(i.path).stem: (i.kind, i.kind_reason) for i in found.frames} == {
        "a": (Kind.DARK, "header: IMAGETYP = 'DARK'"),
        "b": (Kind.DARK_FLAT, "notes.yaml: files 'b.fits'"),
        "c": (Kind.BIAS, "notes.yaml: kinds 'c.fits'"),
        "d": (Kind.LIGHT, "pattern 'd.fits'"),
        "f": (Kind.FLAT, "notes.yaml: kinds 'f.fits'"),
    }
    assert found.set_aside == (
        (
            "e.fits",
            "its header: IMAGETYP = 'FOCUS' is no kind of frame that can be used; "
            "say what it is in notes.yaml, such as kinds: {light: 'e.fits'}",
        ),
    )


def test_globs_that_fit_nothing_are_warned_of(night: Path) -> None:
    shot(night / "a.fits")
    (night / "notes.yaml").write_text("kinds: {dark: [a.fits, drks/*]}\n")
    found = see(night, patterns={"flat": ["flats/*"]})
    assert found.warnings == (
        f"{night / 'notes.yaml'}: 'drks/*' fits no file",
        "the recipe's kinds: 'flats/*' fits no file",
    )


def test_notes_leave_out_complete_and_tell_the_scene(night: Path) -> None:
    shot(night / "lights" / "a.fits", 0, IMAGETYP="LIGHT")
    shot(night / "lights" / "b.fits", 1, IMAGETYP="LIGHT", FILTER="R")
    shot(night / "lights" / "c.fits", 2, IMAGETYP="LIGHT")
    shot(night / "darks" / "d.fits", 3)
    (night / "notes.yaml").write_text(
        "target: Ring of reeds\nfilter: L\niso: 800\n"
        "temperatures:\n"
        "  - {time: 2026-01-14T21:00Z, celsius: 4}\n  - {time: 2026-01-14T22:00Z, celsius: -2}\n"
        "files: [{match: c.fits, leave_out: dew}, {match: d.fits, temperature: -10}]\n"
    )
    (night / "darks" / "notes.csv").write_text("file,iso\nd.fits,1600\n")
    found = see(night)
    a, b, d = found.frames
    assert (a.target, a.filter, a.iso) == ("Ring of reeds", "L", 800)
    assert a.temperature == pytest.approx(4 - 6 * 30 / 3600)
    assert a.temperature_source == "notes file"
    assert b.filter == "R"
    assert (d.target, d.filter, d.iso, d.temperature) == (None, None, 1600, -10.0)
    assert found.set_aside == (("lights/c.fits", "left out by notes.yaml: dew"),)


def test_faults_in_all_notes_files_come_at_once(night: Path) -> None:
    shot(night / "a.fits")
    shot(night / "sub" / "b.fits", 1)
    (night / "notes.yaml").write_text("tarjet: x\n")
    (night / "sub" / "notes.csv").write_text("fil\nx\n")
    with pytest.raises(RecipeError) as caught:
        see(night)
    assert [str(p).split(": ")[0] for p in caught.value.problems] == [
        f"{night / 'notes.yaml'}:1:1",
        f"{night / 'sub' / 'notes.csv'}:1:1",
    ]


def test_the_camera_clock_is_set_right_by_the_notes(night: Path) -> None:
    class Clock(FitsReader):
        def read_info(self, path: Path) -> Sequence[tuple[FrameInfo, Mapping[str, Any]]]:
            return [(info, {"clock": "camera"}) for info, _ in super().read_info(path)]

    shot(night / "a.fits")
    (night / "notes.yaml").write_text("utc_offset: +01:00\n")
    assert see(night, readers=[Clock()]).frames[0].start == START - timedelta(hours=1)
    assert see(night).frames[0].start == START


def test_fixers_see_the_header_and_their_word_is_taken(night: Path) -> None:
    shot(night / "a.fits", GAIN=7)

    def fix(info: FrameInfo, header: Mapping[str, Any]) -> FrameInfo:
        return replace(info, iso=100 * header["GAIN"])

    assert see(night, fix=fix).frames[0].iso == 700


def sky(path: Path, number: int, exposure: float, level: float, stars: int = 0) -> Path:
    """A FITS frame whose header does not say what it is; 300 ADU are black."""
    rng = np.random.default_rng(number)
    data = rng.normal(300 + level, 6 + np.sqrt(level), (192, 288))
    y, x = np.mgrid[:192, :288]
    for _ in range(stars):
        radius2 = (y - rng.uniform(12, 180)) ** 2 + (x - rng.uniform(12, 276)) ** 2
        data += 3000 * np.exp(-radius2 / 2.5)
    hdu = fits.PrimaryHDU(np.clip(data, 0, 65535).astype(np.uint16))
    hdu.header["EXPTIME"], hdu.header["INSTRUME"] = exposure, "Aster M1"
    stamp = (START + timedelta(minutes=number)).replace(tzinfo=None)
    hdu.header["DATE-OBS"] = stamp.isoformat()
    path.parent.mkdir(parents=True, exist_ok=True)
    hdu.writeto(path)
    return path


def test_kinds_told_from_pixels_with_the_whole_night_at_hand(night: Path) -> None:
    shots = [
        (60.0, 120, 60, Kind.LIGHT),
        (60.0, 130, 60, Kind.LIGHT),
        (60.0, 1, 0, Kind.DARK),
        (4.0, 30_000, 0, Kind.FLAT),
        (4.0, 1, 0, Kind.DARK_FLAT),
        (0.001, 0, 0, Kind.BIAS),
        (60.0, 500, 0, None),
    ]
    for number, (exposure, level, stars, _) in enumerate(shots):
        sky(night / f"{number}.fits", number, exposure, level, stars)
    found = see(night)
    assert {Path(i.path).stem: i.kind for i in found.frames} == {
        str(n): kind for n, (*_, kind) in enumerate(shots) if kind
    }
    assert all(i.kind_reason.startswith("pixels: ") for i in found.frames)
    ((label, reason),) = found.set_aside
    assert label == "6.fits"
    assert reason.startswith("cannot tell what it was shot as: a clouded light or a warm dark")
    assert "notes.yaml" in reason


class Counting(FitsReader):
    def __init__(self) -> None:
        self.decoded: list[str] = []

    def read_frame(self, info: FrameInfo) -> Frame:
        self.decoded.append(info.label)
        return super().read_frame(info)


def test_an_unchanged_night_is_neither_digested_nor_decoded_again(
    night: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = sky(night / "a.fits", 1, 60.0, 120, 60)
    cache = tmp_path / "store" / "digests.json"
    reader = Counting()
    first = see(night, readers=[reader], digests=DigestCache(cache))
    assert reader.decoded == ["a.fits"]
    monkeypatch.setattr("coldframe.digests.file_digest", lambda path: pytest.fail("read again"))
    again = Counting()
    assert see(night, readers=[again], digests=DigestCache(cache)) == first
    assert again.decoded == []
    monkeypatch.undo()
    path.unlink()
    sky(path, 2, 60.0, 120, 60)
    os.utime(path, ns=(1, 1))
    changed = see(night, readers=[again], digests=DigestCache(cache))
    assert changed.frames[0].digest == file_digest(path) != first.frames[0].digest
    assert again.decoded == ["a.fits"]


@pytest.mark.parametrize("content", ["", "{", "[]", '{"form": 0}', '{"form": 1, "digests": 3}'])
def test_a_damaged_cache_is_begun_anew(night: Path, tmp_path: Path, content: str) -> None:
    cache = tmp_path / "digests.json"
    cache.write_text(content)
    path = shot(night / "a.fits")
    found = see(night, digests=DigestCache(cache))
    assert found.frames[0].digest == file_digest(path)
    assert json.loads(cache.read_text())["digests"]


def test_a_cache_that_cannot_be_written_costs_only_time(night: Path, tmp_path: Path) -> None:
    shot(night / "a.fits")
    (tmp_path / "file").write_text("")
    assert names(see(night, digests=DigestCache(tmp_path / "file" / "digests.json"))) == ["a.fits"]


def test_facts_that_only_pixels_tell_are_there_after_the_scan(night: Path, tmp_path: Path) -> None:
    from coldframe.demo.dng import DngFacts, write_dng

    facts = DngFacts("Aster", "One", "GBRG", (10, 11, 12, 13), 4095, 1 / 4000, 800, START)
    night.mkdir()
    black = np.tile(np.array([[10, 11], [12, 13]], np.uint16), (32, 48))
    write_dng(night / "a.dng", black + np.uint16(1), facts)
    write_dng(night / "b.dng", black, facts)
    (night / "notes.yaml").write_text("kinds: {dark: a.dng}\nfiles: [{match: b.dng, white: 2000}]")
    cache = tmp_path / "digests.json"
    for _ in range(2):  # decoded, then from the cache
        a, b = see(night, digests=DigestCache(cache)).frames
        assert (a.kind, a.cfa, a.black, a.white) == (Kind.DARK, "GBRG", (10, 11, 12, 13), 4095)
        assert (b.kind, b.cfa, b.white) == (Kind.BIAS, "GBRG", 2000)


def test_a_truncated_raw_file_is_found_by_the_scan(night: Path) -> None:
    from coldframe.demo.dng import DngFacts, write_dng

    facts = DngFacts("Aster", "One", "RGGB", (10, 10, 10, 10), 4095, 60.0, 800, START)
    night.mkdir()
    write_dng(night / "a.dng", np.full((64, 96), 12, np.uint16), facts)
    (night / "b.dng").write_bytes((night / "a.dng").read_bytes()[:-50])
    found = see(night)
    assert names(found) == ["a.dng"]
    assert found.set_aside[0][0] == "b.dng"
    assert "truncated" in found.set_aside[0][1]


def test_frames_of_one_file_have_their_own_labels(night: Path) -> None:
    night.mkdir()
    images = [fits.ImageHDU(np.full((40, 60), 300 + n, np.uint16)) for n in range(2)]
    fits.HDUList([fits.PrimaryHDU(), *images]).writeto(night / "a.fits")
    found = see(night)
    assert not found.frames
    assert [label for label, _ in found.set_aside] == ["a.fits[1]", "a.fits[2]"]
    assert all("its exposure is not known" in reason for _, reason in found.set_aside)


def test_reader_for_takes_the_first_whose_suffix_fits() -> None:
    assert isinstance(reader_for(FrameInfo(path="x/a.FITS.GZ"), READERS), FitsReader)
    assert isinstance(reader_for(FrameInfo(path="x/a.CR2"), READERS), RawReader)
    with pytest.raises(SetAside, match="no plugin reads such files"):
        reader_for(FrameInfo(path="x/a.gz"), READERS)


def test_nothing_is_written_beside_the_frames(night: Path) -> None:
    path = shot(night / "a.fits")
    before = path.read_bytes(), path.stat().st_mtime_ns
    see(night)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
    assert [p.name for p in night.iterdir()] == ["a.fits"]
