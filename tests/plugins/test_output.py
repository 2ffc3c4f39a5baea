"""The writers' files, read back with other libraries."""

from __future__ import annotations

import json
import resource
import stat
from pathlib import Path

import fitsio
import numpy as np
import pytest
import tifffile
from astropy.io import fits
from PIL import Image

from coldframe.errors import StoreError
from coldframe.frame import Ancestor, Flag, Frame, FrameInfo, Kind
from coldframe.product import read_frame
from coldframe.stretch import fit_stretch, preview, render
from coldframe_steps.output.fits import FitsWriter
from coldframe_steps.output.plugin import coldframe_writers
from coldframe_steps.output.png import PngWriter
from coldframe_steps.output.tiff import TiffWriter

WRITERS = (FitsWriter(), TiffWriter(), PngWriter())


def finished(colour: bool = True, shape: tuple[int, int] = (40, 60)) -> Frame:
    rng = np.random.default_rng(7)
    data = rng.normal(20, 15, (3, *shape) if colour else shape).astype(np.float32)
    data[..., 10, 10] = 5000.0
    flags = np.zeros(shape, np.uint8)
    flags[:, :4] = Flag.NO_DATA
    data[..., :4] = 0.0
    flags[10, 10] = Flag.SATURATED
    return Frame(
        data,
        flags,
        FrameInfo(kind=Kind.LIGHT, target="Veil — east", exposure=120.0, filter="H-alpha"),
        planes={"coverage": np.ones(shape, np.float32)},
        measures={"frames": 12.0},
        history=("combine: 12 frames", "background-fit: order 2"),
        provenance=(Ancestor("ab12", "combine 1", "{}", ("cd34",)),),
    )


def test_the_plugin_adds_the_three_writers_with_described_options() -> None:
    writers = coldframe_writers()
    assert [w.name for w in writers] == ["fits", "tiff", "png"]
    for writer in writers:
        assert writer.about
        for spec in writer.params.values():
            assert {"description", "default"} <= set(spec)
            assert {"type", "anyOf", "enum"} & set(spec)


def test_fits_holds_the_planes_that_were_asked_for(tmp_path: Path) -> None:
    planes = {name: np.ones((6, 8), np.float32) for name in ("variance", "background")}
    frame = Frame(np.ones((6, 8), np.float32), np.zeros((6, 8), np.uint8), FrameInfo(), planes)
    for wanted, found in (("all", {"variance", "background"}), (["background"], {"background"})):
        path = FitsWriter().write(frame, tmp_path, "x", {"planes": wanted})
        assert set(read_frame(path).planes) == found


@pytest.mark.parametrize("colour", [True, False])
def test_fits_is_valid_and_another_library_reads_the_same(tmp_path: Path, colour: bool) -> None:
    frame = finished(colour)
    path = FitsWriter().write(frame, tmp_path / "new", "final", {})
    assert path == tmp_path / "new" / "final.fits"
    with fits.open(path, checksum=True) as hdus:  # warns when CHECKSUM or DATASUM is wrong
        hdus.verify("exception")
        assert all("CHECKSUM" in hdu.header and "DATASUM" in hdu.header for hdu in hdus)
        assert [hdu.name for hdu in hdus][1:] == [
            "FLAGS",
            "COVERAGE",
            "FACTS",
            "PROVENANCE",
            "INPUTS",
        ]
        assert list(hdus[0].header["HISTORY"]) == list(frame.history)
        assert hdus[0].header["BUNIT"] == "adu"
    with fitsio.FITS(str(path)) as file:
        np.testing.assert_array_equal(file[0].read(), frame.data)
        np.testing.assert_array_equal(file["FLAGS"].read(), frame.flags)


@pytest.mark.parametrize("colour", [True, False])
def test_tiff_of_32_bits_holds_adu(tmp_path: Path, colour: bool) -> None:
    frame = finished(colour)
    path = TiffWriter().write(frame, tmp_path, "final", {"bits": 32})
    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        stored = page.asarray()
        assert page.photometric.name == ("RGB" if colour else "MINISBLACK")
        assert page.sampleformat == 3
        assert "DateTime" not in page.tags
    assert stored.dtype == np.float32
    np.testing.assert_array_equal(np.moveaxis(stored, -1, 0) if colour else stored, frame.data)
    if not colour:
        with Image.open(path) as image:  # Pillow reads floating point of one colour
            np.testing.assert_array_equal(np.asarray(image), frame.data)


@pytest.mark.parametrize("colour", [True, False])
def test_tiff_of_16_bits_says_how_to_get_adu_back(tmp_path: Path, colour: bool) -> None:
    frame = finished(colour)
    path = TiffWriter().write(frame, tmp_path, "final", {})
    with tifffile.TiffFile(path) as file:
        stored = file.pages[0].asarray()
        assert file.pages[0].bitspersample == 16
        facts = json.loads(file.pages[0].description)
    assert stored.dtype == np.uint16
    assert facts["encoding"] == "linear"
    assert facts["target"] == "Veil — east"
    assert facts["history"] == list(frame.history)
    numbers = np.moveaxis(stored, -1, 0) if colour else stored
    usable = frame.flags == 0
    assert numbers[..., usable].min() == 0
    assert numbers.max() == 65535
    back = facts["zero"] + numbers / facts["scale"]
    np.testing.assert_allclose(
        back[..., usable], frame.data[..., usable], atol=0.5 / facts["scale"]
    )
    assert not numbers[..., :4].any()
    if not colour:
        with Image.open(path) as image:
            np.testing.assert_array_equal(np.asarray(image), stored)
            # TIFF 6.0: tag 270 ImageDescription, 259 Compression (1: none), 306 DateTime.
            assert json.loads(image.tag_v2[270]) == facts
            assert image.tag_v2[259] == 1
            assert 306 not in image.tag_v2


def test_tiff_of_a_frame_without_contrast_or_data(tmp_path: Path) -> None:
    shape = (5, 6)
    flat = Frame(np.full(shape, 7, np.float32), np.zeros(shape, np.uint8), FrameInfo())
    empty = Frame(flat.data, np.full(shape, Flag.NO_DATA, np.uint8), FrameInfo())
    for name, frame in (("flat", flat), ("empty", empty)):
        with Image.open(TiffWriter().write(frame, tmp_path, name, {"bits": 16})) as image:
            assert not np.asarray(image).any()


@pytest.mark.parametrize("colour", [True, False])
@pytest.mark.parametrize("stretch", ["together", "per-colour"])
def test_png_is_the_stretched_preview(tmp_path: Path, colour: bool, stretch: str) -> None:
    frame = finished(colour)
    options = {"stretch": stretch, "max_side": 30, "balance": "none"}
    path = PngWriter().write(frame, tmp_path, "final", options)
    small = preview(frame, 30)
    curve = fit_stretch(small.data, small.flags, together=stretch == "together", balance=False)
    with Image.open(path) as image:
        image.load()
        assert image.mode == ("RGB" if colour else "L")
        assert image.size == (30, 20)
        np.testing.assert_array_equal(np.asarray(image), render(small, curve))
        said = json.loads(image.text["Description"])
        assert said["stretch"] == stretch
        assert said["asinh"]["black"] == pytest.approx(curve.black)
        assert image.info["srgb"] == 0
    assert not np.asarray(image)[:, :2].any()


def test_png_default_is_colours_together_and_2000_pixels(tmp_path: Path) -> None:
    frame = finished(False, (12, 2500))
    with Image.open(PngWriter().write(frame, tmp_path, "final", {})) as image:
        assert image.size == (2000, 10)
        assert json.loads(image.text["Description"])["stretch"] == "together"


def test_png_of_a_frame_without_data_is_black(tmp_path: Path) -> None:
    empty = Frame(
        np.ones((3, 8, 9), np.float32), np.full((8, 9), Flag.NO_DATA, np.uint8), FrameInfo()
    )
    with Image.open(PngWriter().write(empty, tmp_path, "final", {})) as image:
        assert not np.asarray(image).any()
        assert "Description" not in image.text


@pytest.mark.parametrize("writer", WRITERS, ids=lambda w: w.name)
def test_the_same_frame_gives_the_same_bytes_and_replaces_the_old_file(writer, tmp_path) -> None:
    first = writer.write(finished(), tmp_path / "a", "final", {})
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / first.name).write_bytes(b"old")
    second = writer.write(finished(), tmp_path / "b", "final", {})
    assert first.read_bytes() == second.read_bytes()
    assert [p.name for p in (tmp_path / "b").iterdir()] == [first.name]
    assert stat.S_IMODE(second.stat().st_mode) & 0o444 == 0o444


@pytest.mark.parametrize("writer", WRITERS, ids=lambda w: w.name)
def test_a_folder_that_cannot_be_written_is_told(writer, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file where the folder should be")
    with pytest.raises(StoreError, match=r"cannot write .*out/final\.") as caught:
        writer.write(finished(), tmp_path / "out", "final", {})
    assert "exists" in str(caught.value)


@pytest.mark.parametrize("writer", WRITERS, ids=lambda w: w.name)
def test_a_full_disk_is_told_and_leaves_nothing(writer, tmp_path: Path) -> None:
    # A limit on the size of files stands for the full disk: writes beyond it fail the same way.
    frame = finished(True, (700, 700))
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, hard))
    try:
        with pytest.raises(StoreError, match=r"cannot write .*final\.") as caught:
            writer.write(frame, tmp_path, "final", {"max_side": 700})
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert str(caught.value).count("\n") == 0
    assert "too large" in str(caught.value) or "written" in str(caught.value)
    assert not list(tmp_path.iterdir())
