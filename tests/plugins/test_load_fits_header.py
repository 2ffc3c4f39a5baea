"""Facts from header keywords, in their many spellings."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from coldframe.frame import Kind
from coldframe_steps.load import fits_header
from coldframe_steps.load.fits_header import facts


def fact(name: str, header: dict[str, Any], comments: dict[str, str] | None = None) -> Any:
    return getattr(facts(header, comments or {}), name)


@pytest.mark.parametrize(
    ("word", "kind"),
    [
        ("LIGHT", Kind.LIGHT),
        ("Light Frame", Kind.LIGHT),
        ("object", Kind.LIGHT),
        ("science", Kind.LIGHT),
        ("Dark Frame", Kind.DARK),
        ("DARK", Kind.DARK),
        ("darks", Kind.DARK),
        ("Flat Field", Kind.FLAT),
        ("FLAT", Kind.FLAT),
        ("Sky Flat", Kind.FLAT),
        ("dome-flat", Kind.FLAT),
        ("Bias Frame", Kind.BIAS),
        ("ZERO", Kind.BIAS),
        ("bias", Kind.BIAS),
        ("Dark Flat", Kind.DARK_FLAT),
        ("flat-dark", Kind.DARK_FLAT),
        ("DARKFLAT", Kind.DARK_FLAT),
        ("FOCUS", None),
        ("arc lamp", None),
    ],
)
def test_kind_words(word: str, kind: Kind | None) -> None:
    for name in fits_header.KIND:
        if kind is None and name in fits_header.KIND_OR_ELSE:
            assert fits_header.kind_of({name: word}) == (None, "")
        else:
            assert fits_header.kind_of({name: word}) == (kind, f"header: {name} = '{word}'")


def test_no_kind_word() -> None:
    assert fits_header.kind_of({"IMAGETYP": " ", "FRAME": 3}) == (None, "")


@pytest.mark.parametrize(
    ("header", "comments", "seconds"),
    [
        ({"EXPTIME": 1.5}, {}, 1.5),
        ({"EXPOSURE": "30"}, {}, 30.0),
        ({"EXPTIME": 250}, {"EXPTIME": "[ms] duration"}, 0.25),
        ({"EXPTIME": 250}, {"EXPTIME": "duration in [ms]"}, 250.0),
        ({"EXPTIME": 2}, {"EXPTIME": "[min]"}, 120.0),
        ({"EXPTIME": -1, "EXPOSURE": 4}, {}, 4.0),
        ({"EXPTIME": "long"}, {}, None),
        ({"EXPTIME": True}, {}, None),
        ({}, {}, None),
    ],
)
def test_exposure(header: dict[str, Any], comments: dict[str, str], seconds: float | None) -> None:
    # Units in square brackets at the start of a comment: FITS Standard 4.0, section 4.3.2.
    assert fact("exposure", header, comments) == seconds


@pytest.mark.parametrize(
    ("header", "comments", "expected"),
    [
        ({"CCD-TEMP": -10.2, "SET-TEMP": -10}, {}, (-10.2, "header")),
        ({"SET-TEMP": -10}, {}, (-10.0, "header (set point)")),
        ({"CCD-TEMP": -999, "SET-TEMP": -5}, {}, (-5.0, "header (set point)")),
        ({"DET-TEMP": 263.15}, {"DET-TEMP": "[K]"}, (-10.0, "header")),
        ({"CCD-TEMP": 0}, {"CCD-TEMP": "[K]"}, (None, None)),
        ({}, {}, (None, None)),
    ],
)
def test_temperature(header: dict[str, Any], comments: dict[str, str], expected: Any) -> None:
    info = facts(header, comments)
    assert (info.temperature, info.temperature_source) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("header", "comments", "expected"),
    [
        ({"GAIN": 100, "EGAIN": 0.8}, {}, (100.0, 0.8)),
        ({"GAIN": 1.4}, {"GAIN": "[e-/ADU] conversion"}, (None, 1.4)),
        ({"GAIN": 1.4, "EGAIN": 0.8}, {"GAIN": "electrons per ADU"}, (None, 0.8)),
        ({"GAIN": 0}, {}, (0.0, None)),
        ({"EGAIN": 0}, {}, (None, None)),
    ],
)
def test_gain_number_and_gain(
    header: dict[str, Any], comments: dict[str, str], expected: Any
) -> None:
    info = facts(header, comments)
    assert (info.gain_setting, info.gain) == expected


@pytest.mark.parametrize(
    ("header", "expected"),
    [
        ({"XBINNING": 2, "YBINNING": 3}, (3, 2)),
        ({"XBINNING": 2}, (2, 2)),
        ({"BINNING": "2x3"}, (3, 2)),
        ({"BINNING": 4}, (4, 4)),
        ({"CCDSUM": "1 2"}, (2, 1)),
        ({"XBINNING": 0}, None),
        ({}, None),
    ],
)
def test_binning(header: dict[str, Any], expected: Any) -> None:
    assert fact("binning", header) == expected


@pytest.mark.parametrize(
    ("header", "expected"),
    [
        ({"BAYERPAT": "RGGB"}, "RGGB"),
        ({"BAYERPAT": "rggb "}, "RGGB"),
        ({"COLORTYP": "GBRG"}, "GBRG"),
        ({"BAYERPAT": "RGGB", "XBAYROFF": 1}, "GRBG"),
        ({"BAYERPAT": "RGGB", "YBAYROFF": 1}, "GBRG"),
        ({"BAYERPAT": "RGGB", "XBAYROFF": 1, "YBAYROFF": 1}, "BGGR"),
        ({"BAYERPAT": "RGGB", "XBAYROFF": 2, "YBAYROFF": 0}, "RGGB"),
        ({"BAYERPAT": "RGGB", "ROWORDER": "TOP-DOWN", "NAXIS2": 100}, "RGGB"),
        ({"BAYERPAT": "RGGB", "ROWORDER": "BOTTOM-UP", "NAXIS2": 100}, "GBRG"),
        ({"BAYERPAT": "RGGB", "ROWORDER": "BOTTOM-UP", "NAXIS2": 101}, "RGGB"),
        ({"BAYERPAT": "RGGB", "ROWORDER": "BOTTOM-UP"}, None),
        ({"BAYERPAT": "CMYG"}, None),
        ({"BAYERPAT": True}, None),
        ({}, None),
    ],
)
def test_cfa(header: dict[str, Any], expected: str | None) -> None:
    # Offsets and row order: common practice, no source.
    assert fact("cfa", header) == expected


@pytest.mark.parametrize(
    ("header", "expected"),
    [
        ({"DATE-OBS": "2026-01-14T21:30:05.25"}, datetime(2026, 1, 14, 21, 30, 5, 250_000, UTC)),
        ({"DATE-OBS": "2026-01-14T21:30"}, datetime(2026, 1, 14, 21, 30, tzinfo=UTC)),
        ({"DATE-OBS": "2026-01-14T21:30:00Z"}, datetime(2026, 1, 14, 21, 30, tzinfo=UTC)),
        (
            {"DATE-OBS": "2026-01-14", "TIME-OBS": "21:30:05"},
            datetime(2026, 1, 14, 21, 30, 5, tzinfo=UTC),
        ),
        # FITS Standard 4.0, section 9.1.1: the form 'DD/MM/YY' is of the years 1900 to 1999.
        (
            {"DATE-OBS": "20/04/98", "UT": "18:38:15"},
            datetime(1998, 4, 20, 18, 38, 15, tzinfo=UTC),
        ),
        # Modified Julian Date 51544.5 is 2000-01-01T12:00 (JD 2451545.0, epoch J2000.0).
        ({"MJD-OBS": 51544.5}, datetime(2000, 1, 1, 12, tzinfo=UTC)),
        ({"DATE-OBS": "2026-01-14"}, None),
        ({"DATE-OBS": "last Friday"}, None),
        ({"DATE-OBS": "2026-01-14T21:30:05", "TIMESYS": "TAI"}, None),
        ({"MJD-OBS": 1e12}, None),
        ({}, None),
    ],
)
def test_start_time(header: dict[str, Any], expected: datetime | None) -> None:
    if expected is not None and expected.tzinfo is None:
        expected = expected.replace(tzinfo=UTC)
    assert fits_header.start_time(header) == expected


@pytest.mark.parametrize(
    ("header", "expected"),
    [
        ({"FOCRATIO": 5.6}, 5.6),
        ({"FOCALLEN": 500, "APTDIA": 100}, 5.0),
        ({"FOCALLEN": 500, "APTDIA": 0}, None),
        ({"FOCALLEN": 500}, None),
    ],
)
def test_aperture(header: dict[str, Any], expected: float | None) -> None:
    assert fact("aperture", header) == expected


def test_target_is_for_frames_of_the_sky() -> None:
    assert fact("target", {"OBJECT": "M 1", "IMAGETYP": "Light"}) == "M 1"
    assert fact("target", {"OBJECT": "M 1"}) == "M 1"
    assert fact("target", {"OBJECT": "M 1", "IMAGETYP": "Dark"}) is None


def test_empty_words_say_nothing() -> None:
    assert fact("filter", {"FILTER": "  "}) is None
    assert fact("filter", {"FILTER": " - ", "FILTER1": "R"}) == "R"
    assert fact("iso", {"ISOSPEED": 0}) is None
    assert fact("iso", {"ISOSPEED": "800"}) == 800
    assert fact("read_noise", {"RDNOISE": -1}) is None


@pytest.mark.parametrize(
    ("section", "region"),
    [
        ("[1:24,1:200]", (0, 200, 0, 24)),
        (" [ 25:324 , 3:200 ] ", (2, 200, 24, 324)),
        ("[24:1,1:200]", None),
        ("[*,1:200]", None),
        ("", None),
    ],
)
def test_sections_count_from_one_and_include_their_ends(section, region):
    info = facts({"BIASSEC": section, "TRIMSEC": section}, {})
    assert info.overscan == info.trim == region
