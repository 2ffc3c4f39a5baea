"""FITS: stored values, scaling, undefined values, extensions, cubes, compression and damage."""

from __future__ import annotations

import gzip
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from coldframe.errors import SetAside
from coldframe.frame import Flag, Frame, FrameInfo, Kind
from coldframe_steps.load.fits import FitsReader

pytestmark = pytest.mark.filterwarnings("ignore::astropy.utils.exceptions.AstropyWarning")

READER = FitsReader()
RNG = np.random.default_rng(5)


def write(path: Path, data: np.ndarray, **cards: Any) -> Path:
    hdu = fits.PrimaryHDU(data)
    for name, value in cards.items():
        hdu.header[name.replace("_", "-")] = value
    hdu.writeto(path)
    return path


def frames(path: Path) -> list[Frame]:
    return [READER.read_frame(info) for info, _ in READER.read_info(path)]


def only(path: Path) -> Frame:
    (frame,) = frames(path)
    return frame


def native(array: np.ndarray) -> bool:
    return bool(array.dtype.isnative) and bool(array.flags.c_contiguous)


@pytest.mark.parametrize(
    ("stored", "kind"),
    [
        (RNG.integers(0, 65536, (20, 30)).astype(np.uint16), np.uint16),
        (RNG.integers(0, 256, (20, 30)).astype(np.uint8), np.uint16),
        (RNG.integers(-32768, 32768, (20, 30)).astype(np.int16), np.float32),
        (RNG.integers(-(2**24), 2**24, (20, 30)).astype(np.int32), np.float32),
        (RNG.integers(0, 2**24, (20, 30)).astype(np.uint32), np.float32),
        (RNG.normal(size=(20, 30)).astype(np.float32), np.float32),
        (RNG.normal(size=(20, 30)).astype(np.float32).astype(np.float64), np.float32),
    ],
)
def test_values_come_as_stored(tmp_path: Path, stored: np.ndarray, kind: type) -> None:
    frame = only(write(tmp_path / "a.fits", stored))
    assert frame.data.dtype == kind
    assert native(frame.data)
    assert np.array_equal(frame.data.astype(np.float64), stored.astype(np.float64))
    assert not np.any(frame.flags & Flag.NO_DATA)


@settings(max_examples=40, deadline=None)
@given(
    stored=hnp.arrays(np.uint16, hnp.array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=12)),
    white=st.one_of(st.none(), st.integers(1, 65535)),
)
def test_flags_of_unsigned_values(
    tmp_path_factory: pytest.TempPathFactory, stored: np.ndarray, white: int | None
) -> None:
    cards = {} if white is None else {"SATURATE": white}
    frame = only(write(tmp_path_factory.mktemp("f") / "a.fits", stored, **cards))
    assert np.array_equal(frame.data, stored)
    top = 65535 if white is None else white
    assert np.array_equal(frame.flags & Flag.SATURATED > 0, stored >= top)
    assert np.array_equal(frame.flags & Flag.CLIPPED > 0, stored == 0)


def test_negative_values_are_not_the_bottom_of_a_converter(tmp_path: Path) -> None:
    frame = only(write(tmp_path / "a.fits", np.array([[-3, 0], [5, 32767]], np.int16)))
    assert frame.flags.tolist() == [[0, 0], [0, Flag.SATURATED]]


def test_scaled_and_undefined_whole_numbers(tmp_path: Path) -> None:
    hdu = fits.PrimaryHDU(np.array([[1, 2], [-7, 4]], np.int16))
    hdu.header["BSCALE"], hdu.header["BZERO"], hdu.header["BLANK"] = 0.5, 100.0, -7
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        hdu.writeto(tmp_path / "a.fits")
    with (tmp_path / "a.fits").open("rb") as file:
        assert b"BSCALE" in file.read(2880)
    frame = only(tmp_path / "a.fits")
    assert frame.data.tolist() == [[100.5, 101.0], [0.0, 102.0]]
    assert frame.flags.tolist() == [[0, 0], [Flag.NO_DATA, 0]]


def test_blank_among_unsigned_values(tmp_path: Path) -> None:
    hdu = fits.PrimaryHDU(np.array([[1, 2], [300, 0]], np.uint16))
    hdu.header["BLANK"] = 300 - 32768  # BLANK is compared with the stored value (4.4.2.5)
    hdu.writeto(tmp_path / "a.fits")
    frame = only(tmp_path / "a.fits")
    assert frame.data.tolist() == [[1, 2], [0, 0]]
    assert frame.flags.tolist() == [[0, 0], [Flag.NO_DATA, Flag.CLIPPED]]


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e300])
def test_values_that_are_no_numbers_get_a_flag_and_a_finite_value(
    tmp_path: Path, bad: float
) -> None:
    values = np.array([[1.5, bad], [-2.5, 0.0]])
    frame = only(write(tmp_path / "a.fits", values))
    assert frame.data.tolist() == [[1.5, 0.0], [-2.5, 0.0]]
    assert frame.flags.tolist() == [[0, Flag.NO_DATA], [0, 0]]


def test_every_image_extension_is_a_frame_with_the_primary_header_below_its_own(
    tmp_path: Path,
) -> None:
    primary = fits.PrimaryHDU()
    primary.header["INSTRUME"], primary.header["EXPTIME"] = "Aster One", 60.0
    first = fits.ImageHDU(np.ones((4, 6), np.uint16))
    second = fits.ImageHDU(np.full((4, 6), 2, np.uint16))
    second.header["EXPTIME"] = 5.0
    table = fits.BinTableHDU.from_columns([fits.Column("a", "J", array=np.arange(3))])
    fits.HDUList([primary, first, table, second]).writeto(tmp_path / "a.fits")
    infos = [info for info, _ in READER.read_info(tmp_path / "a.fits")]
    assert [(i.hdu, i.camera, i.exposure, i.shape) for i in infos] == [
        (1, "Aster One", 60.0, (4, 6)),
        (3, "Aster One", 5.0, (4, 6)),
    ]
    assert [float(f.data.mean()) for f in frames(tmp_path / "a.fits")] == [1.0, 2.0]


def test_a_cube_is_a_row_of_frames_unless_it_says_colour(tmp_path: Path) -> None:
    cube = RNG.integers(0, 999, (3, 5, 7)).astype(np.uint16)
    found = frames(write(tmp_path / "a.fits", cube))
    assert [f.info.plane for f in found] == [0, 1, 2]
    assert all(np.array_equal(f.data, plane) for f, plane in zip(found, cube, strict=True))
    colour = only(write(tmp_path / "b.fits", cube, CTYPE3="RGB", BAYERPAT="RGGB"))
    assert np.array_equal(colour.data, cube)
    assert (colour.info.plane, colour.info.shape, colour.info.cfa) == (None, (5, 7), None)
    four = frames(write(tmp_path / "c.fits", np.concatenate([cube, cube[:1]]), CTYPE3="RGB"))
    assert len(four) == 4


def test_axes_of_length_one_are_dropped(tmp_path: Path) -> None:
    values = RNG.integers(0, 999, (1, 1, 5, 7)).astype(np.uint16)
    assert np.array_equal(only(write(tmp_path / "a.fits", values)).data, values[0, 0])
    cube = RNG.integers(0, 999, (1, 2, 5, 7)).astype(np.uint16)
    assert [f.data.tolist() for f in frames(write(tmp_path / "b.fits", cube))] == cube[0].tolist()


@pytest.mark.parametrize("how", ["RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1"])
def test_tile_compressed_images_and_cubes(tmp_path: Path, how: str) -> None:
    values = RNG.integers(0, 60000, (2, 24, 32)).astype(np.uint16)
    for name, data in (("a.fits.fz", values[0]), ("b.fz", values)):
        tiles = (1,) * (data.ndim - 2) + (24, 32)
        hdu = fits.CompImageHDU(data, compression_type=how, tile_shape=tiles)
        fits.HDUList([fits.PrimaryHDU(), hdu]).writeto(tmp_path / name)
    assert np.array_equal(only(tmp_path / "a.fits.fz").data, values[0])
    assert all(
        np.array_equal(f.data, v) for f, v in zip(frames(tmp_path / "b.fz"), values, strict=True)
    )


def test_gzipped_file(tmp_path: Path) -> None:
    plain = write(tmp_path / "a.fits", RNG.integers(0, 60000, (24, 32)).astype(np.uint16))
    (tmp_path / "b.fits.gz").write_bytes(gzip.compress(plain.read_bytes()))
    assert np.array_equal(only(tmp_path / "b.fits.gz").data, only(plain).data)


def refused(path: Path) -> str:
    with pytest.raises(SetAside) as caught:
        frames(path)
    text = str(caught.value)
    assert text.startswith(f"{path.name}: ")
    assert "\n" not in text
    return text


def test_what_cannot_be_loaded_says_why(tmp_path: Path) -> None:
    good = write(tmp_path / "a.fits", np.ones((200, 300), np.uint16))
    raw = good.read_bytes()
    packed = gzip.compress(raw)
    cases = {
        "empty.fits": (b"", "is empty"),
        "text.fits": (b"SIMPLE, is it not?\n" * 300, "not a FITS file"),
        "photo.fits": (b"\xff\xd8\xff\xe0" * 800, "not a FITS file"),
        "short.fits": (raw[:50_000], "truncated, 50000 of 122880 bytes"),
        "short.fits.gz": (packed[: len(packed) // 2], "damaged"),
        "header.fits": (raw[:2000], "header.fits"),
    }
    for name, (content, words) in cases.items():
        (tmp_path / name).write_bytes(content)
        assert words in refused(tmp_path / name)
    assert "no longer there" in refused(tmp_path / "gone.fits")
    fits.HDUList([fits.PrimaryHDU()]).writeto(tmp_path / "none.fits")
    assert "holds no image, only headers" in refused(tmp_path / "none.fits")
    table = fits.BinTableHDU.from_columns([fits.Column("a", "J", array=np.arange(3))])
    fits.HDUList([fits.PrimaryHDU(), table]).writeto(tmp_path / "table.fits")
    assert "holds no image, only a table" in refused(tmp_path / "table.fits")
    write(tmp_path / "master.fits", np.ones((4, 4), np.uint16), IMAGETYP="Master Dark")
    assert "master" in refused(tmp_path / "master.fits")


def test_a_damaged_extension_is_not_passed_over(tmp_path: Path) -> None:
    images = [fits.PrimaryHDU(), *(fits.ImageHDU(np.ones((4, 4), np.uint16)) for _ in range(2))]
    path = tmp_path / "a.fits"
    fits.HDUList(images).writeto(path)
    raw = path.read_bytes()
    at = raw.rindex(b"NAXIS   =                    2")
    path.write_bytes(raw[:at] + b"NAXIS   =                   ?2" + raw[at + 30 :])
    assert "extension 2 is damaged" in refused(path)


def test_missing_padding_at_the_end_is_forgiven(tmp_path: Path) -> None:
    good = write(tmp_path / "a.fits", np.ones((20, 30), np.uint16))
    (tmp_path / "b.fits").write_bytes(good.read_bytes()[: 2880 + 1200])
    assert only(tmp_path / "b.fits").data.sum() == 600


@pytest.mark.parametrize("suffix", [".fits", ".fits.gz"])
def test_huge_declared_size_is_refused_before_memory_is_taken(tmp_path: Path, suffix: str) -> None:
    raw = write(tmp_path / "a.fits", np.ones((20, 30), np.uint16)).read_bytes()
    for size, words in ((90_000, "more than the 512 million"), (20_000, "bytes")):
        changed = raw.replace(b"NAXIS1  =                   30", b"NAXIS1  = %20d" % size)
        changed = changed.replace(b"NAXIS2  =                   20", b"NAXIS2  = %20d" % size)
        assert changed != raw
        path = tmp_path / f"huge{size}{suffix}"
        path.write_bytes(gzip.compress(changed) if suffix.endswith("gz") else changed)
        assert words in refused(path)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_no_damage_gives_anything_but_one_line(tmp_path: Path, data: st.DataObject) -> None:
    good = tmp_path / "good.fits"
    if not good.exists():
        hdu = fits.CompImageHDU(np.arange(600, dtype=np.uint16).reshape(20, 30))
        image = fits.PrimaryHDU(np.ones((4, 5), np.float32))
        fits.HDUList([image, hdu]).writeto(good)
    raw = bytearray(good.read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        raw[data.draw(st.integers(0, len(raw) - 1))] = data.draw(st.integers(0, 255))
    path = tmp_path / "bad.fits"
    path.write_bytes(raw[: data.draw(st.integers(0, len(raw)))])
    try:
        found = frames(path)
    except SetAside:
        refused(path)
    else:
        assert all(np.all(np.isfinite(frame.data)) for frame in found)


def test_a_frame_that_is_no_longer_in_the_file_is_said_so(tmp_path: Path) -> None:
    path = write(tmp_path / "a.fits", np.ones((4, 4), np.uint16))
    for info in (FrameInfo(path=str(path), hdu=4), FrameInfo(path=str(path), plane=2)):
        with pytest.raises(SetAside, match="no longer in the file"):
            READER.read_frame(info)


def test_facts_of_a_cooled_cameras_header(tmp_path: Path) -> None:
    path = write(
        tmp_path / "a.fits",
        np.ones((4, 6), np.uint16),
        IMAGETYP="Light Frame",
        EXPTIME=60.0,
        GAIN=100,
        EGAIN=0.8,
        OFFSET=50,
        CCD_TEMP=-9.9,
        FILTER="H-alpha",
        XBINNING=2,
        YBINNING=2,
        INSTRUME="Aster M1",
        TELESCOP="400 mm refractor",
        FOCALLEN=400.0,
        APTDIA=80.0,
        OBJECT="Ring of reeds",
        DATE_OBS="2026-01-14T21:30:05.25",
    )
    info = only(path).info
    assert (info.kind, info.kind_reason) == (Kind.LIGHT, "header: IMAGETYP = 'Light Frame'")
    assert (info.exposure, info.gain_setting, info.gain, info.offset) == (60.0, 100.0, 0.8, 50.0)
    assert (info.temperature, info.temperature_source) == (-9.9, "header")
    assert (info.filter, info.binning, info.camera) == ("H-alpha", (2, 2), "Aster M1")
    assert (info.optics, info.focal_length, info.aperture) == ("400 mm refractor", 400.0, 5.0)
    assert info.target == "Ring of reeds"
    assert info.start is not None
    assert info.start.isoformat() == "2026-01-14T21:30:05.250000+00:00"
