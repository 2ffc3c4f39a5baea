"""TIFF: values, colours, pages, metadata and damage."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from PIL.TiffImagePlugin import IFDRational, ImageFileDirectory_v2

from coldframe.errors import SetAside
from coldframe.frame import Flag, Frame, FrameInfo
from coldframe_steps.load.tiff import TiffReader

READER = TiffReader()
RNG = np.random.default_rng(7)


def frames(path: Path) -> list[Frame]:
    return [READER.read_frame(info) for info, _ in READER.read_info(path)]


def only(path: Path) -> Frame:
    (frame,) = frames(path)
    return frame


def refused(path: Path) -> str:
    with pytest.raises(SetAside) as caught:
        frames(path)
    text = str(caught.value)
    assert text.startswith(f"{path.name}: ")
    assert "\n" not in text
    return text


@pytest.mark.parametrize("compression", [None, "zlib"])
@pytest.mark.parametrize("byteorder", ["<", ">"])
@pytest.mark.parametrize(
    ("stored", "kind"),
    [
        (RNG.integers(0, 65536, (20, 30)).astype(np.uint16), np.uint16),
        (RNG.integers(0, 256, (20, 30)).astype(np.uint8), np.uint16),
        (RNG.integers(0, 2**24, (20, 30)).astype(np.uint32), np.float32),
        (RNG.normal(size=(20, 30)).astype(np.float32), np.float32),
    ],
)
def test_values_come_as_stored(
    tmp_path: Path, stored: np.ndarray, kind: type, byteorder: str, compression: str | None
) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, stored, byteorder=byteorder, compression=compression)
    frame = only(path)
    assert frame.data.dtype == kind
    assert frame.data.dtype.isnative
    assert np.array_equal(frame.data.astype(np.float64), stored.astype(np.float64))
    assert frame.info.shape == (20, 30)


@pytest.mark.parametrize("planar", ["contig", "separate"])
def test_three_colours_come_as_planes(tmp_path: Path, planar: str) -> None:
    stored = RNG.integers(1, 60000, (20, 30, 3)).astype(np.uint16)
    written = stored if planar == "contig" else np.moveaxis(stored, -1, 0)
    tifffile.imwrite(tmp_path / "a.tiff", written, photometric="rgb", planarconfig=planar)
    frame = only(tmp_path / "a.tiff")
    assert np.array_equal(frame.data, np.moveaxis(stored, -1, 0))
    assert frame.info.shape == (20, 30)


def test_transparency_is_left_out(tmp_path: Path) -> None:
    stored = RNG.integers(1, 60000, (20, 30, 4)).astype(np.uint16)
    tifffile.imwrite(tmp_path / "a.tif", stored, photometric="rgb", extrasamples=["unassalpha"])
    assert np.array_equal(only(tmp_path / "a.tif").data, np.moveaxis(stored[..., :3], -1, 0))


def test_pages_of_one_size_are_frames_and_small_previews_are_not(tmp_path: Path) -> None:
    pages = RNG.integers(1, 60000, (3, 20, 30)).astype(np.uint16)
    with tifffile.TiffWriter(tmp_path / "a.tif") as file:
        for page in pages:
            file.write(page, contiguous=False)
        file.write(pages[0, ::2, ::2], subfiletype=1)
    found = frames(tmp_path / "a.tif")
    assert [f.info.plane for f in found] == [0, 1, 2]
    assert all(np.array_equal(f.data, page) for f, page in zip(found, pages, strict=True))


def test_flags(tmp_path: Path) -> None:
    values = np.array([[0, 65535], [1, 65534]] * 8, np.uint16)
    tifffile.imwrite(tmp_path / "a.tif", values)
    assert only(tmp_path / "a.tif").flags[:2].tolist() == [[Flag.CLIPPED, Flag.SATURATED], [0, 0]]
    tifffile.imwrite(tmp_path / "b.tif", np.array([[0.5, np.nan], [-1, np.inf]] * 8, np.float32))
    frame = only(tmp_path / "b.tif")
    assert frame.flags[:2].tolist() == [[0, Flag.NO_DATA], [0, Flag.NO_DATA]]
    assert frame.data[:2].tolist() == [[0.5, 0], [-1, 0]]


def test_metadata_written_by_another_program(tmp_path: Path) -> None:
    stored = ImageFileDirectory_v2()
    stored[271], stored[272] = "Aster", "Aster One"
    stored[34665] = {
        33434: IFDRational(30, 1),
        34855: 800,
        36867: "2026:01:14 21:30:05",
        36881: "+01:00",
        37386: IFDRational(135, 1),
    }
    Image.fromarray(np.ones((20, 30), np.uint16)).save(tmp_path / "a.tif", tiffinfo=stored)
    info = only(tmp_path / "a.tif").info
    assert (info.camera, info.exposure, info.iso, info.focal_length) == (
        "Aster One",
        30.0,
        800,
        135.0,
    )
    assert info.start == datetime(2026, 1, 14, 20, 30, 5, tzinfo=UTC)


def test_a_mosaic_keeps_its_pattern(tmp_path: Path) -> None:
    # TIFF/EP (ISO 12234-2): photometric 32803, CFAPattern 33422; as the DNG specification has it.
    tifffile.imwrite(
        tmp_path / "a.tif",
        np.ones((20, 30), np.uint16),
        photometric=32803,
        extratags=[(33421, 3, 2, (2, 2), True), (33422, 1, 4, bytes([1, 0, 2, 1]), True)],
    )
    assert only(tmp_path / "a.tif").info.cfa == "GRBG"


def test_what_cannot_be_loaded_says_why(tmp_path: Path) -> None:
    values = RNG.integers(0, 60000, (200, 300)).astype(np.uint16)
    tifffile.imwrite(tmp_path / "good.tif", values)
    raw = (tmp_path / "good.tif").read_bytes()
    cases = {
        "empty.tif": (b"", "is empty"),
        "text.tif": (b"II is not enough\n" * 40, "not a TIFF file"),
        "short.tif": (raw[:-100], f"truncated, {len(raw) - 100} of {len(raw)} bytes"),
        "start.tif": (raw[:6], "not a TIFF file"),
    }
    for name, (content, words) in cases.items():
        (tmp_path / name).write_bytes(content)
        assert words in refused(tmp_path / name)
    assert "no longer there" in refused(tmp_path / "gone.tif")
    Image.fromarray(np.ones((20, 30), bool)).save(tmp_path / "bits.tif")
    assert "1 bits a value" in refused(tmp_path / "bits.tif")
    Image.new("P", (20, 30)).save(tmp_path / "palette.tif")
    assert "stores colours as PALETTE" in refused(tmp_path / "palette.tif")
    Image.new("RGB", (20, 30)).save(tmp_path / "lzw.tif", compression="tiff_lzw")
    assert "compressed with LZW; save it uncompressed" in refused(tmp_path / "lzw.tif")
    with pytest.raises(SetAside, match="no longer in the file"):
        READER.read_frame(FrameInfo(path=str(tmp_path / "good.tif"), plane=3))


def test_huge_declared_size_is_refused_before_memory_is_taken(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "a.tif", np.ones((20, 30), np.uint16), compression="zlib")
    with tifffile.TiffFile(tmp_path / "a.tif", mode="r+b") as file:
        file.pages[0].tags["ImageWidth"].overwrite(60_000)
        file.pages[0].tags["ImageLength"].overwrite(60_000)
    assert "declares 60000×60000 pixels" in refused(tmp_path / "a.tif")


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_no_damage_gives_anything_but_one_line(tmp_path: Path, data: st.DataObject) -> None:
    good = tmp_path / "good.tif"
    if not good.exists():
        with tifffile.TiffWriter(good) as file:
            file.write(np.ones((20, 30), np.uint16), compression="zlib")
            file.write(np.ones((20, 30), np.uint16))
    raw = bytearray(good.read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        raw[data.draw(st.integers(0, len(raw) - 1))] = data.draw(st.integers(0, 255))
    path = tmp_path / "bad.tif"
    path.write_bytes(raw[: data.draw(st.integers(0, len(raw)))])
    try:
        found = frames(path)
    except SetAside:
        refused(path)
    else:
        assert all(frame.data.ndim in (2, 3) for frame in found)
