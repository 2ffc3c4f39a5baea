"""Coldframe's own FITS files as two other implementations see them.

Sources: FITS Standard 4.0 by astropy's verification, which checks every mandatory card and both
checksums; CFITSIO, through the package fitsio, which verifies the checksums by its own code.
"""

from __future__ import annotations

import warnings
from pathlib import Path

import fitsio
import numpy as np
import pytest
from astropy.io import fits

from coldframe.frame import Ancestor, Frame, FrameInfo, Kind
from coldframe.product import write_frame, write_numbers

RNG = np.random.default_rng(3)


@pytest.fixture(params=[(31, 45), (3, 31, 45), (3, 1, 1)], ids=str)
def made(request: pytest.FixtureRequest) -> Frame:
    shape = request.param
    return Frame(
        data=RNG.normal(500, 30, shape).astype(np.float32),
        flags=RNG.integers(0, 128, shape[-2:]).astype(np.uint8),
        info=FrameInfo(
            kind=Kind.LIGHT, camera="An invented camera's long name " * 3, exposure=0.1 + 0.2,
            temperature=-10.0, target="Lantern °", binning=(2, 1),
        ),
        planes={
            "variance": RNG.random(shape).astype(np.float32),
            "count": RNG.integers(0, 65536, shape).astype(np.uint16),
            "bytes": RNG.integers(0, 256, (5, 7)).astype(np.uint8),
            "double": RNG.random((5, 7)),
            "whole": RNG.integers(0, 2**32, (2, 3)).astype(np.uint32),
        },
        measures={"frames": 12.0},
        history=("a line that is longer than any card can hold, " * 4, "short"),
        provenance=(Ancestor("abc", "s 1", '{"x": 1}', ("d", "e")), Ancestor("d", "r", "", ())),
    )  # fmt: skip


def test_astropy_finds_nothing_against_the_standard(tmp_path: Path, made: Frame) -> None:
    write_frame(tmp_path / "f.fits", made)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with fits.open(tmp_path / "f.fits", checksum=True) as hdus:
            hdus.verify("exception")
            for hdu in hdus:
                assert (hdu.verify_checksum(), hdu.verify_datasum()) == (1, 1)
            assert hdus[0].data.astype("f4").tobytes() == made.data.tobytes()
            for name, plane in made.planes.items():
                np.testing.assert_array_equal(hdus[name].data, plane)
                assert hdus[name].data.dtype.kind == plane.dtype.kind
            assert list(hdus["PROVENANCE"].data["INPUTS"]) == ["d e", ""]
            assert hdus[0].header["INSTRUME"] == made.info.camera.strip()


def test_cfitsio_agrees_with_both_checksums(tmp_path: Path, made: Frame) -> None:
    write_frame(tmp_path / "f.fits", made)
    with fitsio.FITS(tmp_path / "f.fits") as file:
        assert len(file) == 2 + len(made.planes) + 2
        for number in range(len(file)):
            file[number].verify_checksum()  # raises when either is wrong
        np.testing.assert_array_equal(file[0].read(), made.data)
        for name, plane in made.planes.items():
            np.testing.assert_array_equal(file[name].read(), plane)


def test_headers_are_those_that_astropy_writes(tmp_path: Path, made: Frame) -> None:
    write_frame(tmp_path / "f.fits", made)
    for number, name in enumerate([None, "FLAGS", *map(str.upper, made.planes)]):
        array = [made.data, made.flags, *made.planes.values()][number]
        hdu = fits.PrimaryHDU(array) if name is None else fits.ImageHDU(array, name=name)
        own = fits.getheader(tmp_path / "f.fits", number)
        mandatory = [card for card in hdu.header.cards if card.keyword != "EXTEND"]
        assert [str(own.cards[card.keyword]) for card in mandatory] == list(map(str, mandatory))


def test_numbers_are_images_of_the_standard(tmp_path: Path) -> None:
    numbers = {"table": RNG.random((4, 8)), "one": np.array([2.5]), "none": np.zeros((0, 8))}
    write_numbers(tmp_path / "n.fits", numbers)
    with fits.open(tmp_path / "n.fits") as hdus:
        hdus.verify("exception")
        np.testing.assert_array_equal(hdus[1].data, numbers["table"])
        assert [hdu.header.get("COLNAME") for hdu in hdus] == [None, *numbers]
