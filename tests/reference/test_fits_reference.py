"""FITS files that nobody here wrote: those astropy ships with its own tests, checked with CFITSIO.

Sources: the files in astropy.io.fits.tests and astropy.io.fits.hdu.compressed.tests (the image of
globular cluster M 13 in plain form and under four tile compressions among them); CFITSIO through
the package fitsio, a second implementation of the standard; FITS Standard 4.0.
"""

from __future__ import annotations

import warnings
from pathlib import Path

import fitsio
import numpy as np
import pytest
from astropy.io import fits

from coldframe.errors import SetAside
from coldframe.frame import Flag, Frame
from coldframe_steps.load.fits import FitsReader

pytestmark = pytest.mark.filterwarnings("ignore::astropy.utils.exceptions.AstropyWarning")

READER = FitsReader()
HOME = Path(fits.__file__).parent
FILES = sorted(
    path
    for folder in ("tests/data", "tests/data/invalid", "hdu/compressed/tests/data")
    for path in (HOME / folder).iterdir()
    if ".fits" in path.name
)
CLUSTER = HOME / "hdu" / "compressed" / "tests" / "data"


def frames(path: Path) -> list[Frame]:
    return [READER.read_frame(info) for info, _ in READER.read_info(path)]


def second_opinion(path: Path, frame: Frame) -> np.ndarray:
    """The same plane as CFITSIO reads it, as float64."""
    number = frame.info.hdu
    with fitsio.FITS(path) as file:
        if number is None:
            number = next(
                i
                for i, hdu in enumerate(file)
                if hdu.has_data() and hdu.get_exttype() == "IMAGE_HDU"
            )
        values = np.asarray(file[number].read(), np.float64)
    values = values.reshape(values.shape[-3:])
    return values if frame.info.plane is None else values[frame.info.plane]


def test_the_files_are_there() -> None:
    assert len(FILES) >= 35
    assert {p.name for p in FILES} >= {"m13.fits", "test0.fits", "scale.fits", "blank.fits"}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_every_file_is_loaded_as_pixels_or_refused_in_one_line(path: Path) -> None:
    try:
        found = frames(path)
    except SetAside as error:
        reason = str(error)
        found = []
    else:
        reason = ""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            hdus = fits.open(path)
        except Exception:
            hdus = fits.HDUList()
        images = [
            hdu
            for hdu in hdus
            if isinstance(hdu, fits.PrimaryHDU | fits.ImageHDU | fits.CompImageHDU)
            and not isinstance(hdu, fits.GroupsHDU)
            and len(hdu.shape) >= 2
            and 0 not in hdu.shape
        ]
        hdus.close()
    if not images:
        assert reason.startswith(f"{path.name}: ")
        assert "\n" not in reason
        assert not found
        return
    assert found, reason
    for frame in found:
        expected = second_opinion(path, frame)
        usable = frame.flags & Flag.NO_DATA == 0
        assert np.array_equal(
            frame.data[usable], expected.astype(frame.data.dtype)[usable], equal_nan=True
        )
        assert np.all(np.isfinite(frame.data))


@pytest.mark.parametrize("how", ["gzip", "hcomp", "plio", "rice"])
def test_the_cluster_is_the_same_under_every_compression(how: str) -> None:
    # All four are lossless for 16-bit whole numbers: HCOMPRESS was written with scale 0.
    (plain,) = frames(CLUSTER / "m13.fits")
    (packed,) = frames(CLUSTER / f"m13_{how}.fits")
    assert plain.shape == (300, 300)
    assert np.array_equal(plain.data, packed.data)
    assert np.array_equal(plain.flags, packed.flags)


def test_undefined_pixels_of_a_compressed_file_are_flagged() -> None:
    (frame,) = frames(CLUSTER / "compressed_with_nan.fits")
    values = np.asarray(fits.getdata(CLUSTER / "compressed_with_nan.fits"))
    assert np.isnan(values).any()
    assert np.array_equal(frame.flags & Flag.NO_DATA > 0, np.isnan(values))


def test_blank_value_is_flagged() -> None:
    # blank.fits holds one pixel, 2, with BLANK = 2.
    (frame,) = frames(HOME / "tests" / "data" / "blank.fits")
    assert frame.flags.tolist() == [[Flag.NO_DATA]]


@pytest.mark.parametrize("suffix", [".fits", ".fits.fz"])
def test_files_written_by_cfitsio(tmp_path: Path, suffix: str) -> None:
    values = np.random.default_rng(11).integers(0, 65536, (40, 50)).astype(np.uint16)
    path = tmp_path / f"a{suffix}"
    how = {"compress": "rice"} if suffix.endswith("fz") else {}
    header = {"EXPTIME": 12.5, "IMAGETYP": "FLAT", "BAYERPAT": "GRBG"}
    fitsio.write(path, values, header=header, **how)
    (frame,) = frames(path)
    assert np.array_equal(frame.data, values)
    assert (frame.info.exposure, frame.info.kind, frame.info.cfa) == (12.5, "flat", "GRBG")


def test_facts_of_a_real_observatory_file() -> None:
    # o4sp040b0_raw.fits is a spectrograph's raw file with two readouts, each its own extension.
    infos = [info for info, _ in READER.read_info(HOME / "tests" / "data" / "o4sp040b0_raw.fits")]
    assert [(i.hdu, i.exposure, i.camera, i.optics) for i in infos] == [
        (1, 30.0, "STIS", "HST"),
        (4, 30.0, "STIS", "HST"),
    ]
    assert infos[0].start is not None
    assert infos[0].start.isoformat() == "1998-04-20T18:38:15+00:00"
    assert all(i.kind is None for i in infos)
