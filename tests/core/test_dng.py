"""The demo's DNG files hold what was put in: pixels bit for bit, and every fact."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
import rawpy
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from coldframe.demo.dng import DngFacts, write_dng

FACTS = DngFacts(
    make="Nachtauge",
    model="N1",
    cfa="RGGB",
    black=(511.0, 512.0, 512.0, 513.0),
    white=16383,
    exposure=120.0,
    iso=1600,
    start=datetime(2025, 3, 20, 22, 2, tzinfo=timezone(timedelta(hours=1))),
    aperture=2.8,
    focal_length=135.0,
    lens="135 mm f/2.8 lens",
)


@pytest.fixture
def mosaic():
    return np.random.default_rng(5).integers(0, 16384, (60, 84), dtype=np.uint16)


@pytest.mark.parametrize("cfa", ["RGGB", "GRBG", "GBRG", "BGGR"])
@pytest.mark.parametrize("active", [None, (4, 6, 60, 80)])
def test_raw_library_reads_pixels_pattern_and_levels(tmp_path, mosaic, cfa, active):
    write_dng(tmp_path / "a.dng", mosaic, replace(FACTS, cfa=cfa, active=active))
    top, left, bottom, right = active or (0, 0, 60, 84)
    with rawpy.imread(str(tmp_path / "a.dng")) as raw:
        assert np.array_equal(raw.raw_image, mosaic)
        assert np.array_equal(raw.raw_image_visible, mosaic[top:bottom, left:right])
        letters = "".join(chr(raw.color_desc[i]) for i in raw.raw_pattern.ravel())
        assert letters == cfa
        levels = [raw.black_level_per_channel[i] for i in raw.raw_pattern.ravel()]
        assert levels == [511, 512, 512, 513]
        assert raw.white_level == 16383
        assert (raw.sizes.raw_height, raw.sizes.raw_width) == (60, 84)
        assert (raw.sizes.height, raw.sizes.width) == (bottom - top, right - left)


def test_raw_library_finds_the_exposure(tmp_path, mosaic):
    write_dng(tmp_path / "a.dng", mosaic, FACTS)
    with rawpy.imread(str(tmp_path / "a.dng")) as raw:
        if not hasattr(raw, "other"):
            pytest.skip("this version of the raw library does not pass the exposure on")
        assert raw.other.iso_speed == 1600
        assert raw.other.shutter_speed == 120
        assert raw.other.aperture == pytest.approx(2.8)
        assert raw.other.focal_length == 135


@pytest.mark.parametrize(("orientation", "flip"), [(1, 0), (3, 3), (6, 6), (8, 5)])
def test_orientation_is_noted_and_not_applied(tmp_path, mosaic, orientation, flip):
    write_dng(tmp_path / "a.dng", mosaic, replace(FACTS, orientation=orientation))
    with rawpy.imread(str(tmp_path / "a.dng")) as raw:
        assert raw.sizes.flip == flip
        assert np.array_equal(raw.raw_image, mosaic)


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    pixels=hnp.arrays(np.uint16, st.tuples(st.integers(24, 40), st.integers(24, 40))),
    white=st.integers(1, 65535),
)
def test_any_pixels_come_back(tmp_path, pixels, white):
    write_dng(tmp_path / "a.dng", pixels, replace(FACTS, white=white))
    with rawpy.imread(str(tmp_path / "a.dng")) as raw:
        assert np.array_equal(raw.raw_image, pixels)
        assert raw.white_level == white


def test_the_same_frame_gives_the_same_bytes(tmp_path, mosaic):
    write_dng(tmp_path / "a.dng", mosaic, FACTS)
    write_dng(tmp_path / "b.dng", np.asfortranarray(mosaic), FACTS)
    assert (tmp_path / "a.dng").read_bytes() == (tmp_path / "b.dng").read_bytes()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"cfa": "RGBW"}, "CFA pattern"),
        ({"active": (0, 0, 61, 84)}, "active area"),
        ({"start": datetime(2025, 3, 20, 22, 2)}, "time zone"),
        ({"exposure": -1.0}, "does not fit"),
    ],
)
def test_facts_that_do_not_fit_are_refused(tmp_path, mosaic, change, message):
    with pytest.raises(ValueError, match=message):
        write_dng(tmp_path / "a.dng", mosaic, replace(FACTS, **change))
    assert not (tmp_path / "a.dng").exists()


@pytest.mark.parametrize("bad", [np.zeros((4, 4)), np.zeros((2, 4, 4), np.uint16)])
def test_only_a_mosaic_is_written(tmp_path, bad):
    with pytest.raises(ValueError, match="2-D uint16"):
        write_dng(tmp_path / "a.dng", bad, FACTS)


def test_utc_is_written_as_an_offset_of_zero(tmp_path, mosaic):
    import exifread

    write_dng(tmp_path / "a.dng", mosaic, replace(FACTS, start=datetime(2025, 1, 2, tzinfo=UTC)))
    with (tmp_path / "a.dng").open("rb") as file:
        tags = exifread.process_file(file)
    assert str(tags["EXIF OffsetTimeOriginal"]) == "+00:00"
    assert "EXIF SubSecTimeOriginal" not in tags
