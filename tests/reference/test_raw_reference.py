"""DNG pixels and metadata against general-purpose readers: tifffile, Pillow and LibRaw itself.

No package that the project may install was found to carry a camera's own raw file, so DNG files made by the demo's writer stand in. They follow Adobe's DNG
Specification 1.4 and Exif 2.32 (CIPA DC-008), which these readers implement on their own.
"""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
import rawpy
import tifffile
from PIL import Image

from coldframe.demo.dng import DngFacts, write_dng
from coldframe_steps.load.raw import RawReader

READER = RawReader()
MARGINS = (6, 8, 106, 148)


@pytest.fixture(scope="module")
def dng(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("raw") / "a.dng"
    values = np.random.default_rng(8).integers(0, 16384, (110, 152)).astype(np.uint16)
    facts = DngFacts(
        make="Aster",
        model="Aster One",
        cfa="GBRG",
        black=(1023.0, 1024.0, 1025.0, 1026.0),
        white=16000,
        exposure=1 / 250,
        iso=6400,
        start=datetime(2026, 1, 14, 22, 30, 5, tzinfo=timezone(timedelta(hours=1))),
        active=MARGINS,
        orientation=8,
        aperture=4.0,
        focal_length=50.0,
        lens="50 mm",
    )
    write_dng(path, values, facts)
    return path


def test_pixels_are_those_tifffile_finds_in_the_active_area(dng: Path) -> None:
    pytest.importorskip("imagecodecs")  # what tifffile decodes lossless JPEG with
    frame = READER.read_frame(READER.read_info(dng)[0][0])
    top, left, bottom, right = MARGINS
    assert np.array_equal(frame.data, tifffile.imread(dng)[top:bottom, left:right])


def test_exif_is_what_pillow_reads(dng: Path) -> None:
    info = READER.read_info(dng)[0][0]
    stored = Image.Exif()
    with dng.open("rb") as file:
        stored.load_from_fp(file)
        shot = stored.get_ifd(34665)
    assert info.camera == stored[272]
    assert info.exposure == pytest.approx(float(shot[33434]))
    assert info.iso == shot[34855]
    assert info.aperture == float(shot[33437])
    assert info.focal_length == float(shot[37386])
    assert info.lens == shot[42036]
    assert info.start is not None
    local = info.start.astimezone(timezone(timedelta(hours=1)))
    assert local.strftime("%Y:%m:%d %H:%M:%S") == shot[36867]


def test_each_colour_has_the_black_level_that_libraw_takes_off(dng: Path) -> None:
    frame = READER.read_frame(READER.read_info(dng)[0][0])
    with rawpy.imread(str(dng)) as raw:
        colours = raw.raw_colors_visible
        letters = raw.color_desc.decode()
        levels = raw.black_level_per_channel
        assert raw.white_level == frame.info.white
    assert frame.info.cfa is not None
    assert frame.info.black is not None
    for i, (letter, level) in enumerate(zip(frame.info.cfa, frame.info.black, strict=True)):
        index = colours[i // 2, i % 2]
        assert letters[index] == letter
        assert levels[index] == level
