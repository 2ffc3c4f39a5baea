"""Camera raw: values, CFA phase, levels and metadata of DNG files, and what damage does."""

from __future__ import annotations

import io
import struct
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from coldframe.demo.dng import DngFacts, write_dng
from coldframe.errors import SetAside
from coldframe.frame import Flag, FrameInfo
from coldframe_steps.load import exif, guard, makers
from coldframe_steps.load.raw import RawReader

READER = RawReader()
START = datetime(2026, 1, 14, 22, 30, 5, 250_000, tzinfo=timezone(timedelta(hours=1)))
BLACK = (510.0, 511.25, 512.0, 513.5)


def facts(**changes: object) -> DngFacts:
    values: dict[str, object] = {
        "make": "Aster",
        "model": "Aster One",
        "cfa": "RGGB",
        "black": BLACK,
        "white": 16383,
        "exposure": 120.0,
        "iso": 1600,
        "start": START,
        "aperture": 2.8,
        "focal_length": 135.0,
        "lens": "135mm F2.8",
        "temperature": 11.5,
        "orientation": 6,
    }
    return DngFacts(**(values | changes))  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def mosaic() -> np.ndarray:
    values = np.random.default_rng(3).integers(400, 4000, (90, 130), dtype=np.uint16)
    values[40, 60], values[41, 61], values[42, 62] = 16383, 0, 16382
    return values


def only(path: Path) -> FrameInfo:
    ((info, _),) = READER.read_info(path)
    return info


@pytest.mark.parametrize("cfa", ["RGGB", "BGGR", "GRBG", "GBRG"])
@pytest.mark.parametrize("active", [None, (2, 4, 80, 120), (3, 5, 81, 121), (2, 5, 80, 121)])
def test_every_pixel_keeps_its_value_colour_and_black(
    tmp_path: Path, mosaic: np.ndarray, cfa: str, active: tuple[int, int, int, int] | None
) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, mosaic, facts(cfa=cfa, active=active))
    frame = READER.read_frame(only(path))
    assert frame.data.dtype == np.uint16
    top, left, bottom, right = active or (0, 0, *mosaic.shape)
    # LibRaw may move an odd border of the active area by a pixel: find where the values lie.
    places = [
        (y, x)
        for y in range(top, top + 2)
        for x in range(left, left + 2)
        if np.array_equal(frame.data, mosaic[y:bottom, x:right][: frame.shape[0], : frame.shape[1]])
    ]
    assert len(places) == 1
    (y, x) = places[0]
    cell = [(y - top + dy) % 2 * 2 + (x - left + dx) % 2 for dy in (0, 1) for dx in (0, 1)]
    assert frame.info.cfa == "".join(cfa[i] for i in cell)
    assert frame.info.black == tuple(BLACK[i] for i in cell)
    assert frame.info.white == 16383
    assert frame.info.shape == frame.shape


def test_black_level_without_dng_tags_is_that_of_libraw(tmp_path: Path, mosaic: np.ndarray) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, mosaic, facts(cfa="GRBG"))
    other = tmp_path / "a.nef"
    path.rename(other)
    black = READER.read_frame(FrameInfo(path=str(other))).info.black
    assert black == pytest.approx(BLACK, abs=0.5)  # LibRaw keeps whole numbers


def test_flags_mark_saturated_and_clipped_pixels_only(tmp_path: Path, mosaic: np.ndarray) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, mosaic, facts())
    flags = READER.read_frame(only(path)).flags
    expected = np.zeros(mosaic.shape, np.uint8)
    expected[40, 60], expected[41, 61] = Flag.SATURATED, Flag.CLIPPED
    assert np.array_equal(flags, expected)


def test_a_white_level_that_is_already_known_is_used(tmp_path: Path, mosaic: np.ndarray) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, mosaic, facts())
    info = FrameInfo(path=str(path), white=3999.0, black=(1.0,) * 4, cfa="GRBG")
    frame = READER.read_frame(info)
    assert (frame.info.white, frame.info.black, frame.info.cfa) == (3999.0, (1.0,) * 4, "GRBG")
    assert np.array_equal(frame.flags & Flag.SATURATED > 0, mosaic >= 3999)


def test_metadata(tmp_path: Path, mosaic: np.ndarray) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, mosaic, facts())
    ((info, header),) = READER.read_info(path)
    assert info == FrameInfo(
        path=str(path),
        camera="Aster One",
        lens="135mm F2.8",
        iso=1600,
        exposure=120.0,
        temperature=11.5,
        temperature_source="camera metadata",
        aperture=2.8,
        focal_length=135.0,
        shape=(90, 130),
        start=datetime(2026, 1, 14, 21, 30, 5, 250_000, tzinfo=UTC),
    )
    assert header["clock"] == "UTC"
    assert header["decode for cfa"] is True


def test_what_the_camera_does_not_say_is_none(tmp_path: Path, mosaic: np.ndarray) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, mosaic, facts(aperture=None, focal_length=0.0, lens=None, temperature=None))
    info = only(path)
    assert (info.aperture, info.focal_length, info.lens) == (None, None, None)
    assert (info.temperature, info.temperature_source) == (None, None)


def test_read_info_does_not_decode(
    tmp_path: Path, mosaic: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, mosaic, facts())
    calls = []
    import rawpy

    class Watched(rawpy.RawPy):  # type: ignore[misc, name-defined]
        def unpack(self) -> None:
            calls.append(1)
            super().unpack()

    monkeypatch.setattr(rawpy, "RawPy", Watched)
    info = only(path)
    assert not calls
    READER.read_frame(info)
    assert calls


@pytest.mark.parametrize("zone", ["UTC0", "EST5EDT"])
def test_without_exif_the_shot_is_what_libraw_says_of_it(
    tmp_path: Path, mosaic: np.ndarray, monkeypatch: pytest.MonkeyPatch, zone: str
) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, mosaic, facts(exposure=2.5))
    monkeypatch.setattr(exif, "read_tags", lambda path: {})
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        ((info, header),) = READER.read_info(path)
    finally:
        monkeypatch.undo()
        time.tzset()
    assert (info.exposure, info.iso, info.aperture, info.focal_length, info.lens) == (
        pytest.approx(2.5),
        1600,
        pytest.approx(2.8),
        135.0,
        "135mm F2.8",
    )
    # The camera's clock as it is, whatever the zone of this computer.
    assert info.start == START.replace(microsecond=0, tzinfo=UTC)
    assert header == {"decode for cfa": True, "clock": "camera"}


def one_line(error: BaseException, name: str) -> str:
    text = str(error)
    assert text.startswith(f"{name}: ")
    assert "\n" not in text
    return text


def test_empty_foreign_missing_and_truncated_files_say_so(
    tmp_path: Path, mosaic: np.ndarray
) -> None:
    good = tmp_path / "a.dng"
    write_dng(good, mosaic, facts())
    raw = good.read_bytes()
    cases = {
        "empty.dng": (b"", "is empty"),
        "text.cr2": (b"not a photograph\n" * 40, "not a camera raw file"),
        "short.dng": (raw[:-1], f"truncated, {len(raw) - 1} of {len(raw)} bytes"),
        "header.dng": (raw[:600], "not a camera raw file"),
    }
    for name, (content, words) in cases.items():
        path = tmp_path / name
        path.write_bytes(content)
        with pytest.raises(SetAside) as caught:
            READER.read_info(path)
        assert words in one_line(caught.value, name)
    with pytest.raises(SetAside, match="no longer there"):
        READER.read_info(tmp_path / "gone.dng")
    with pytest.raises(SetAside, match="no longer there"):
        READER.read_frame(FrameInfo(path=str(tmp_path / "gone.dng")))
    (tmp_path / "folder.dng").mkdir()
    with pytest.raises(SetAside, match="is a folder"):
        READER.read_info(tmp_path / "folder.dng")


def damaged(path: Path, change: Callable[[bytearray, int, int], None]) -> Path:
    """A DNG file of three tiles, of which the middle one, given by its start and end, is changed."""
    values = np.random.default_rng(3).integers(400, 4000, (600, 320), dtype=np.uint16)
    write_dng(path, values, facts())
    with tifffile.TiffFile(path) as file:
        start, length = file.pages[0].dataoffsets[1], file.pages[0].databytecounts[1]
    content = bytearray(path.read_bytes())
    change(content, start, start + length)
    path.write_bytes(content)
    return path


def lost(content: bytearray, start: int, end: int) -> None:
    content[start:end] = bytes(end - start)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lost, "part 2 of 3 of its pixels is not whole"),
        (lambda content, start, end: lost(content, start, start + 512), "part 2 of 3"),
        (lambda content, start, end: lost(content, end - 512, end), "part 2 of 3"),
        (lambda content, start, end: lost(content, end - 5000, len(content)), "part 2 of 3"),
        (lambda content, start, end: content.__delitem__(slice(end, None)), "is truncated"),
    ],
)
def test_compressed_pixels_that_were_lost_are_not_read_as_zeros(
    tmp_path: Path, change: Callable[[bytearray, int, int], None], words: str
) -> None:
    path = damaged(tmp_path / "a.dng", change)
    with pytest.raises(SetAside, match=words):
        READER.read_info(path)
    with pytest.raises(SetAside, match=words) as caught:
        READER.read_frame(FrameInfo(path=str(path)))
    one_line(caught.value, "a.dng")


def test_codes_that_are_none_are_refused(tmp_path: Path) -> None:
    def change(content: bytearray, start: int, end: int) -> None:
        content[start + 5000 : start + 6000] = b"\xff" * 1000

    path = damaged(tmp_path / "a.dng", change)
    with pytest.raises(SetAside, match="could not decode its pixels"):
        READER.read_frame(only(path))


def test_a_truncated_file_of_many_tiles_says_so(tmp_path: Path) -> None:
    # More than a thousand: some readers of tags pass over lists as long as that.
    path = tmp_path / "a.dng"
    values = np.random.default_rng(4).integers(0, 4000, (32 * 16, 33 * 16), dtype=np.uint16)
    uncompressed(path, values, tile=(16, 16))
    assert np.array_equal(READER.read_frame(only(path)).data, values)
    path.write_bytes(path.read_bytes()[:-100])
    with pytest.raises(SetAside, match="is truncated"):
        READER.read_info(path)


def uncompressed(path: Path, values: np.ndarray, **options: object) -> None:
    """A DNG file of another writer, with as few tags as LibRaw takes."""
    tags = [
        (33421, "H", 2, (2, 2), True),  # CFARepeatPatternDim
        (33422, "B", 4, (0, 1, 1, 2), True),  # CFAPattern
        (50706, "B", 4, (1, 4, 0, 0), True),  # DNGVersion
        (50708, "s", 0, "Aster One", True),  # UniqueCameraModel
        (50714, "H", 1, 300, True),  # BlackLevel
        (50717, "I", 1, 4095, True),  # WhiteLevel
    ]
    tifffile.imwrite(path, values, photometric="cfa", metadata=None, extratags=tags, **options)


@pytest.mark.parametrize("rows", [1, 7, 90])
def test_uncompressed_strips_of_another_writer(
    tmp_path: Path, mosaic: np.ndarray, rows: int
) -> None:
    path = tmp_path / "a.dng"
    uncompressed(path, mosaic, rowsperstrip=rows)
    frame = READER.read_frame(only(path))
    assert np.array_equal(frame.data, mosaic)
    assert (frame.info.cfa, frame.info.black, frame.info.white) == ("RGGB", (300.0,) * 4, 4095)
    path.write_bytes(path.read_bytes()[:-1])
    with pytest.raises(SetAside, match="is truncated"):
        READER.read_info(path)


@pytest.mark.parametrize(("width", "height"), [(60_000, 60_000), (9_000, 20_000)])
def test_huge_declared_size_is_refused_before_memory_is_taken(
    tmp_path: Path, mosaic: np.ndarray, width: int, height: int
) -> None:
    path = tmp_path / "huge.dng"
    write_dng(path, mosaic, facts())
    raw = bytearray(path.read_bytes())
    at = raw.index(struct.pack("<HHI", 256, 4, 1))
    struct.pack_into("<I", raw, at + 8, width)
    struct.pack_into("<I", raw, at + 20, height)
    path.write_bytes(raw)
    with pytest.raises(SetAside, match=f"declares {width}×{height} pixels") as caught:
        READER.read_info(path)
    one_line(caught.value, "huge.dng")


def test_a_mosaic_of_three_colours_in_every_pixel_is_refused(tmp_path: Path) -> None:
    # A linear DNG: PhotometricInterpretation 34892 (DNG specification 1.4), already demosaiced.
    path = tmp_path / "linear.dng"
    write_dng(path, np.zeros((40, 40 * 3), np.uint16), facts(cfa="RGGB"))
    raw = bytearray(path.read_bytes())

    def change(tag: int, kind: int, value: int) -> None:
        at = raw.index(struct.pack("<HHI", tag, kind, 1))
        struct.pack_into("<I", raw, at + 8, value)

    change(256, 4, 40)
    change(262, 3, 34892)
    change(277, 3, 3)
    path.write_bytes(raw)
    with pytest.raises(SetAside, match=r"linear.dng: "):
        READER.read_frame(FrameInfo(path=str(path)))


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_no_damage_gives_anything_but_one_line(tmp_path: Path, data: st.DataObject) -> None:
    good = tmp_path / "good.dng"
    if not good.exists():
        write_dng(good, np.full((40, 50), 700, np.uint16), facts())
    raw = bytearray(good.read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        raw[data.draw(st.integers(0, 820))] = data.draw(st.integers(0, 255))
    path = tmp_path / "bad.dng"
    path.write_bytes(raw[: data.draw(st.integers(0, len(raw)))])
    try:
        ((info, _),) = READER.read_info(path)
        frame = READER.read_frame(info)
    except SetAside as error:
        one_line(error, "bad.dng")
    else:
        assert frame.flags.shape == info.shape


def test_reading_changes_nothing_in_the_source(tmp_path: Path, mosaic: np.ndarray) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, mosaic, facts())
    before = path.read_bytes(), path.stat().st_mtime_ns
    path.chmod(0o444)
    READER.read_frame(only(path))
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
    assert [p.name for p in tmp_path.iterdir()] == ["a.dng"]


@pytest.mark.parametrize(
    ("stamp", "offset", "expected", "known"),
    [
        ("2026:01:14 21:00:00", "+02:00", datetime(2026, 1, 14, 19, tzinfo=UTC), True),
        ("2026:01:14 21:00:00", None, datetime(2026, 1, 14, 21, tzinfo=UTC), False),
        ("2026:01:14 21:00:00", "??", datetime(2026, 1, 14, 21, tzinfo=UTC), False),
        ("0000:00:00 00:00:00", None, None, False),
        (None, None, None, False),
    ],
)
def test_start_time(
    stamp: str | None, offset: str | None, expected: datetime | None, known: bool
) -> None:
    tags = {"EXIF DateTimeOriginal": stamp, "EXIF OffsetTimeOriginal": offset}
    found = {name: Tag(value) for name, value in tags.items() if value is not None}
    assert exif.start_time(found) == (expected, known)


class Tag:
    """As much of an exifread tag as is used."""

    def __init__(self, *values: object) -> None:
        self.values: object = values[0] if isinstance(values[0], str) else list(values)

    def __str__(self) -> str:
        return str(self.values)


@pytest.mark.parametrize(
    ("make", "model", "camera"),
    [
        ("Aster", "Aster One", "Aster One"),
        ("ASTER CORPORATION", "Aster 5", "Aster 5"),
        ("Nachtauge", "N1", "Nachtauge N1"),
        (None, "N1", "N1"),
        (None, None, None),
    ],
)
def test_camera_name(make: str | None, model: str | None, camera: str | None) -> None:
    tags = {"Image Make": make, "Image Model": model}
    assert exif.camera({k: Tag(v) for k, v in tags.items() if v}) == camera


def test_iso_beyond_two_bytes_comes_from_the_long_tag() -> None:
    # Exif 2.3 (CIPA DC-008), 4.6.5: PhotographicSensitivity is 65535 when it does not fit.
    tags = {"EXIF ISOSpeedRatings": Tag(65535), "EXIF RecommendedExposureIndex": Tag(102400)}
    assert exif.iso(tags) == 102400
    assert exif.iso({"EXIF ISOSpeedRatings": Tag(0)}) is None


def test_canon_temperature_and_its_absence() -> None:
    # That the byte is °C + 128 and 0 where there is no sensor: common practice, no source. A
    # real camera's JPEG with 0 ("-128 C") was seen.
    info = FrameInfo()

    def temperature(header: dict[str, str]) -> float | None:
        fixed = makers.fix(info, header)
        return None if fixed is None else fixed.temperature

    canon = {"Image Make": "Canon"}
    assert temperature(canon | {"MakerNote CameraTemperature": "23 C"}) == 23.0
    assert temperature(canon | {"MakerNote CameraTemperature": "-128 C"}) is None
    shot = [68, 0, 160, 1, 2, 3, 4, 5, 6, 7, 8, 9, 151, 0]
    assert temperature(canon | {"MakerNote Tag 0x0004": str(shot)}) == 23.0
    assert temperature({"Image Make": "Aster", "MakerNote CameraTemperature": "23 C"}) is None
    known = FrameInfo(temperature=5.0, temperature_source="camera metadata")
    assert makers.fix(known, canon | {"MakerNote CameraTemperature": "23 C"}) is None


def tiff_block(make: str, exposure: tuple[int, int]) -> bytes:
    """A TIFF structure with two tags, as an Exif block has."""
    text = make.encode() + b"\0"
    after = 8 + 2 + 24 + 4
    entries = struct.pack("<HHII", 271, 2, len(text), after)
    entries += struct.pack("<HHII", 33434, 5, 1, after + len(text) + len(text) % 2)
    body = struct.pack("<2sHIH", b"II", 42, 8, 2) + entries + struct.pack("<I", 0) + text
    return body + b"\0" * (len(text) % 2) + struct.pack("<II", *exposure)


def box(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I4s", 8 + len(content), kind) + content


def test_exif_blocks_in_the_boxes_of_a_cr3_file(tmp_path: Path) -> None:
    # ISO/IEC 14496-12 boxes; the names CMT1 and CMT2 from memory.
    inner = box(b"CNCV", b"x" * 10) + box(b"CMT1", tiff_block("Canon", (1, 1)))
    inner += box(b"CMT2", tiff_block("-", (30, 1)))
    movie = box(b"moov", box(b"uuid", b"u" * 16 + inner) + box(b"trak", b"t" * 20))
    path = tmp_path / "a.cr3"
    path.write_bytes(box(b"ftyp", b"crx \0\0\0\1") + movie + box(b"mdat", b"0" * 64))
    tags = exif.read_tags(path)
    assert exif.text(tags, "Image Make") == "Canon"
    assert exif.number(tags, "EXIF ExposureTime") == 30.0
    path.write_bytes(path.read_bytes()[:60])
    assert exif.read_tags(path) == {}


def test_exif_of_the_jpeg_inside_a_raf_file(tmp_path: Path) -> None:
    # That byte 84 names the JPEG's place: from memory.
    stored = Image.Exif()
    stored[271] = "Aster"
    stored.get_ifd(34665)[33434] = IFDRational(5, 2)
    jpeg = io.BytesIO()
    Image.new("RGB", (8, 8)).save(jpeg, "JPEG", exif=stored)
    content = jpeg.getvalue()
    head = b"FUJIFILMCCD-RAW ".ljust(84, b"\0") + struct.pack(">II", 148, len(content))
    path = tmp_path / "a.raf"
    path.write_bytes(head.ljust(148, b"\0") + content)
    tags = exif.read_tags(path)
    assert exif.text(tags, "Image Make") == "Aster"
    assert exif.number(tags, "EXIF ExposureTime") == 2.5


def test_long_values_stay_out_of_the_header() -> None:
    tags = {"a": Tag("short"), "b": Tag("x" * 5000)}
    assert exif.header(tags) == {"a": "short"}


def test_disk_failure_is_told_from_damage(tmp_path: Path) -> None:
    with (
        pytest.raises(SetAside, match="the disk failed"),
        guard.refusing(tmp_path / "a.dng", "read it"),
    ):
        raise OSError(5, "Input/output error")
    with (
        pytest.raises(SetAside, match="not enough memory"),
        guard.refusing(tmp_path / "a.dng", "read it"),
    ):
        raise MemoryError
