"""The demo's DNG files as other readers of the standards see them.

Sources: TIFF Revision 6.0 (section 2: structure; ascending tags, even offsets), Adobe DNG
Specification 1.4.0.0 (tag numbers and types), CIPA DC-008 Exif 2.31; read by tifffile, Pillow and
exifread, none of which share code with the writer.
"""

import struct
from datetime import datetime, timedelta, timezone

import exifread
import numpy as np
import pytest
import tifffile
from PIL import ExifTags, Image

from coldframe.demo.dng import DngFacts, write_dng


@pytest.fixture(scope="module")
def mosaic():
    return np.random.default_rng(8).integers(0, 16384, (48, 70), dtype=np.uint16)


@pytest.fixture(scope="module")
def path(tmp_path_factory, mosaic):
    facts = DngFacts(
        make="Nachtauge",
        model="N1",
        cfa="GBRG",
        black=(511.0, 512.25, 512.0, 513.0),
        white=16383,
        exposure=1 / 4000,
        iso=800,
        start=datetime(2025, 3, 20, 22, 2, 5, 250_000, tzinfo=timezone(timedelta(hours=-3.5))),
        active=(2, 4, 48, 68),
        orientation=6,
        aperture=2.8,
        focal_length=135.0,
        lens="135 mm f/2.8 lens",
        temperature=-7.5,
    )
    path = tmp_path_factory.mktemp("dng") / "a.dng"
    write_dng(path, mosaic, facts)
    return path


def test_tiff_structure(path):
    """TIFF 6.0, section 2: header, ascending tags, values on even offsets inside the file."""
    data = path.read_bytes()
    assert data[:4] == b"II*\0"
    (at,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, at)
    entries = [struct.unpack_from("<HHII", data, at + 2 + 12 * i) for i in range(count)]
    tags = [tag for tag, *_ in entries]
    assert tags == sorted(set(tags))
    assert struct.unpack_from("<I", data, at + 2 + 12 * count) == (0,)
    sizes = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 10: 8}
    for _, kind, n, value in entries:
        if n * sizes[kind] > 4:
            assert value % 2 == 0
            assert value + n * sizes[kind] <= len(data)


def test_tifffile_reads_tags_by_their_dng_names(path, mosaic):
    with tifffile.TiffFile(path) as file:
        (page,) = file.pages
        assert page.shape == mosaic.shape
        tags = {tag.name: tag.value for tag in page.tags}
        kinds = {tag.name: tag.dtype.name for tag in page.tags}
    assert tags["DNGVersion"] == b"\1\4\0\0"
    assert tags["PhotometricInterpretation"] == tifffile.PHOTOMETRIC.CFA
    assert tags["CFARepeatPatternDim"] == (2, 2)
    assert tags["CFAPattern"] == b"\1\2\0\1"  # green, blue, red, green: TIFF/EP numbers
    assert tags["BlackLevelRepeatDim"] == (2, 2)
    assert tags["BlackLevel"] == (511, 1, 2049, 4, 512, 1, 513, 1)
    assert tags["WhiteLevel"] == 16383
    assert tags["ActiveArea"] == (2, 4, 48, 68)
    assert tags["DefaultCropSize"] == (64, 46)  # width first
    assert tags["UniqueCameraModel"] == "Nachtauge N1"
    assert tags["CalibrationIlluminant1"] == 21  # D65, Exif's LightSource
    assert len(tags["ColorMatrix1"]) == 2 * 9
    assert kinds["ColorMatrix1"] == "SRATIONAL"
    assert kinds["AsShotNeutral"] == "RATIONAL"
    assert tags["Orientation"] == tifffile.ORIENTATION.RIGHTTOP


def test_the_codec_library_of_tifffile_decodes_the_pixels(path, mosaic):
    pytest.importorskip("imagecodecs")
    assert np.array_equal(tifffile.imread(path), mosaic)


def test_exifread_reads_the_exposure(path):
    with path.open("rb") as file:
        tags = exifread.process_file(file)
    assert tags["EXIF ExposureTime"].values[0] == pytest.approx(1 / 4000)
    assert str(tags["EXIF ExposureTime"]) == "1/4000"
    assert tags["EXIF ISOSpeedRatings"].values == [800]
    assert float(tags["EXIF FNumber"].values[0]) == pytest.approx(2.8)
    assert float(tags["EXIF FocalLength"].values[0]) == 135
    assert str(tags["EXIF DateTimeOriginal"]) == "2025:03:20 22:02:05"
    assert str(tags["EXIF OffsetTimeOriginal"]) == "-03:30"
    assert str(tags["EXIF SubSecTimeOriginal"]) == "250"
    assert str(tags["EXIF LensModel"]) == "135 mm f/2.8 lens"
    assert float(tags["EXIF Tag 0x9400"].values[0]) == -7.5  # AmbientTemperature, Exif 2.31
    assert str(tags["Image Make"]) == "Nachtauge"


def test_pillow_reads_the_exif_directory(path):
    exif = Image.Exif()
    exif.load(path.read_bytes())  # it reads the directories; it shows no CFA images
    assert exif[ExifTags.Base.ImageWidth] == 70
    assert exif[ExifTags.Base.Model] == "N1"
    inner = exif.get_ifd(ExifTags.IFD.Exif)
    assert inner[ExifTags.Base.ISOSpeedRatings] == 800
    assert float(inner[ExifTags.Base.ExposureTime]) == pytest.approx(1 / 4000)
    assert inner[ExifTags.Base.OffsetTimeOriginal] == "-03:30"
