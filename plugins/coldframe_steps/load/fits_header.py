"""Facts from a FITS header, by the keywords in common use.

Sources: FITS Standard 4.0 (Pence et al. 2010, A&A 524, A42, and the 2018 document of the IAU FITS
Working Group) for DATE-OBS, TIMESYS, MJD-OBS, TELESCOP, INSTRUME, OBJECT, BLANK, and for units in
square brackets at the start of a comment (4.3.2). Every other keyword is common practice, no
source; where programs differ, the spellings are tried in the order given here.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from coldframe.frame import FrameInfo, Kind

EXPOSURE = ("EXPTIME", "EXPOSURE", "EXP_TIME", "EXP-TIME", "ITIME", "TELAPSE")
TEMPERATURE = (
    "CCD-TEMP", "CCD_TEMP", "CCDTEMP", "DET-TEMP", "DETTEMP", "SENSTEMP", "CHIPTEMP", "CAM-TEMP", "TEMPERAT",
)  # fmt: skip
SET_TEMPERATURE = ("SET-TEMP", "SETTEMP", "CCD-TSET", "SETPOINT")
KIND = ("IMAGETYP", "IMAGETYPE", "IMGTYPE", "FRAMETYP", "OBSTYPE", "FRAME", "EXPTYPE")
KIND_OR_ELSE = ("FRAME", "EXPTYPE")  # these may also name a coordinate frame or a survey's plan
FILTER = ("FILTER", "FILTER1", "FILTNAM", "FILTNAM1", "INSFLNAM")
CFA = ("BAYERPAT", "CFAPAT", "CFA-PAT", "COLORTYP", "BAYER")
GAIN_SETTING = ("GAIN", "CAMGAIN", "GAINSET")
GAIN = ("EGAIN", "E-GAIN", "GAINADU", "CCDGAIN")
OFFSET = ("OFFSET", "CAMOFFS", "BLKLEVEL", "BLACKLVL")
READ_NOISE = ("RDNOISE", "READNOIS", "RON", "ENOISE")
ISO = ("ISOSPEED", "ISO", "ISOSPD")
WHITE = ("SATURATE", "SATLEVEL", "SATURATN")
CAMERA = ("INSTRUME", "CAMERA", "CAMMODEL", "DETNAM")
FOCAL_RATIO = ("FOCRATIO", "F-RATIO", "FRATIO", "FNUMBER", "F-NUMBER")

_SECTION = re.compile(r"^\[\s*(\d+)\s*:\s*(\d+)\s*,\s*(\d+)\s*:\s*(\d+)\s*\]$")
_MILLI = {"ms": 1e-3, "msec": 1e-3, "us": 1e-6, "usec": 1e-6, "min": 60.0}
_UNIT = re.compile(r"^\s*\[([^\]]*)\]")
_KINDS = {
    Kind.LIGHT: ("light", "object", "science", "sci", "target"),
    Kind.DARK: ("dark",),
    Kind.FLAT: ("flat", "flatfield", "skyflat", "domeflat", "twilightflat", "dawnflat", "duskflat"),
    Kind.BIAS: ("bias", "zero", "offset"),
    Kind.DARK_FLAT: ("darkflat", "flatdark"),
}
_BY_WORD = {word: kind for kind, words in _KINDS.items() for word in words}

Header = Mapping[str, Any]
Comments = Mapping[str, str]


def facts(header: Header, comments: Comments) -> FrameInfo:
    """What the header says; fields it is silent about are None.

    header : values by keyword. comments : their comments, for units.
    """
    kind, reason = kind_of(header)
    temperature, source = _temperature(header, comments)
    gain_setting, gain = _gain(header, comments)
    return FrameInfo(
        kind=kind,
        kind_reason=reason,
        camera=words(header, CAMERA),
        optics=words(header, ("TELESCOP",)),
        iso=_whole(number(header, ISO)),
        gain_setting=gain_setting,
        offset=number(header, OFFSET),
        gain=gain,
        read_noise=_positive(number(header, READ_NOISE)),
        exposure=_exposure(header, comments),
        temperature=temperature,
        temperature_source=source,
        aperture=_aperture(header),
        focal_length=_positive(number(header, ("FOCALLEN",))),
        filter=words(header, FILTER),
        binning=_binning(header),
        overscan=region(header, "BIASSEC"),
        trim=region(header, "TRIMSEC"),
        cfa=_cfa(header),
        white=_positive(number(header, WHITE)),
        start=start_time(header),
        target=words(header, ("OBJECT",)) if kind in (None, Kind.LIGHT) else None,
    )


def number(header: Header, names: tuple[str, ...]) -> float | None:
    """The first of these keywords that holds a finite number, also one written as text."""
    for name in names:
        value = header.get(name)
        if isinstance(value, bool) or not isinstance(value, int | float | str):
            continue
        try:
            result = float(value)
        except ValueError:
            continue
        if math.isfinite(result):
            return result
    return None


def words(header: Header, names: tuple[str, ...]) -> str | None:
    """The first of these keywords that holds some text."""
    for name in names:
        value = header.get(name)
        if isinstance(value, str) and value.strip(" -"):
            return " ".join(value.split())
    return None


def region(header: Header, name: str) -> tuple[int, int, int, int] | None:
    """(y0, y1, x0, x1), past the end, of a section written "[x1:x2,y1:y2]", from 1, inclusive.

    BIASSEC and TRIMSEC are common practice among observatories, no source.
    """
    found = _SECTION.match(str(header.get(name, "")).strip())
    if not found:
        return None
    x1, x2, y1, y2 = (int(n) for n in found.groups())
    if not (1 <= x1 <= x2 and 1 <= y1 <= y2):
        return None
    return y1 - 1, y2, x1 - 1, x2


def kind_of(header: Header) -> tuple[Kind | None, str]:
    """(kind, how the header says it); a word that is no frame kind gives (None, that word's line)."""
    for name in KIND:
        value = header.get(name)
        if not isinstance(value, str) or not value.strip():
            continue
        plain = re.sub(r"[^a-z]", "", value.lower())
        # "Light Frame", "DARK FIELD", "Flat image": the second word says nothing.
        plain = re.sub(r"(frame|image|field)s?$", "", plain) or plain
        kind = _BY_WORD.get(plain.removesuffix("s")) or _BY_WORD.get(plain)
        if kind is not None or name not in KIND_OR_ELSE:
            return kind, f"header: {name} = '{value.strip()}'"
    return None, ""


def start_time(header: Header) -> datetime | None:
    """Start of the exposure in UTC; None when the header gives no full date and time in UTC."""
    scale = words(header, ("TIMESYS",))
    if scale and scale.upper() not in ("UTC", "UT", "UT1", "GMT"):
        return None
    stamp = words(header, ("DATE-OBS", "DATE-BEG"))
    if stamp:
        old = re.match(r"^(\d\d)/(\d\d)/(\d\d)$", stamp)
        if old:  # the form before 1999: always the 20th century (FITS Standard 4.0, 9.1.1, note)
            stamp = f"19{old[3]}-{old[2]}-{old[1]}"
        if len(stamp) == 10:
            clock = words(header, ("TIME-OBS", "UTC-OBS", "UT", "UTC", "UTSTART", "TIME-BEG"))
            stamp = f"{stamp}T{clock}" if clock else ""
        try:
            found = datetime.fromisoformat(stamp)
        except ValueError:
            found = None
        if found is not None:
            return found.replace(tzinfo=UTC) if found.tzinfo is None else found.astimezone(UTC)
    day = number(header, ("MJD-OBS", "MJD-BEG"))
    try:
        return None if day is None else datetime(1858, 11, 17, tzinfo=UTC) + timedelta(days=day)
    except OverflowError:
        return None


def is_master(header: Header) -> bool:
    """Whether the header calls it a combined calibration frame."""
    return any("master" in str(header.get(name, "")).lower() for name in KIND)


def _unit(comments: Comments, name: str) -> str:
    found = _UNIT.match(comments.get(name, ""))
    return found[1].strip().lower() if found else ""


def _exposure(header: Header, comments: Comments) -> float | None:
    for name in EXPOSURE:
        value = number(header, (name,))
        if value is not None and value >= 0:
            return value * _MILLI.get(_unit(comments, name), 1.0)
    return None


def _temperature(header: Header, comments: Comments) -> tuple[float | None, str | None]:
    for names, source in ((TEMPERATURE, "header"), (SET_TEMPERATURE, "header (set point)")):
        for name in names:
            value = number(header, (name,))
            if value is None:
                continue
            if _unit(comments, name) == "k":
                value -= 273.15
            # Drivers write such as -999 or 0 K when no sensor answers.
            if -150 < value < 100:
                return value, source
    return None, None


def _gain(header: Header, comments: Comments) -> tuple[float | None, float | None]:
    """(the camera's gain number, e-/ADU). GAIN is the latter only where its comment says so."""
    gain = _positive(number(header, GAIN))
    for name in GAIN_SETTING:
        value = number(header, (name,))
        if value is None:
            continue
        about = comments.get(name, "").lower()
        if re.search(r"\be(lectrons?)?-?\s*(/|per)\s*(adu|dn|count)", about):
            gain = gain if gain is not None else _positive(value)
            continue
        return value, gain
    return None, gain


def _positive(value: float | None) -> float | None:
    return value if value is not None and value > 0 else None


def _whole(value: float | None) -> int | None:
    return round(value) if value is not None and value >= 1 else None


def _aperture(header: Header) -> float | None:
    ratio = _positive(number(header, FOCAL_RATIO))
    if ratio is not None:
        return ratio
    focal, diameter = number(header, ("FOCALLEN",)), number(header, ("APTDIA",))
    if focal and diameter and focal > 0 and diameter > 0:
        return round(focal / diameter, 2)
    return None


def _binning(header: Header) -> tuple[int, int] | None:
    for x_name, y_name in (("XBINNING", "YBINNING"), ("BINX", "BINY"), ("CCDXBIN", "CCDYBIN")):
        x, y = _whole(number(header, (x_name,))), _whole(number(header, (y_name,)))
        if x is not None:
            return (x if y is None else y), x
    for name in ("BINNING", "CCDSUM"):
        found = re.match(r"^\s*(\d+)(?:\s*[x×*, ]\s*(\d+))?\s*$", str(header.get(name, "")).lower())
        if found and int(found[1]) > 0:
            return int(found[2] or found[1]), int(found[1])
    return None


def _cfa(header: Header) -> str | None:
    """The colours of the first 2 x 2 pixels as stored.

    XBAYROFF and YBAYROFF say where in the pattern the image begins. Under ROWORDER = BOTTOM-UP the
    pattern is that of the image turned over, whose first row is the last one stored.
    """
    for name in CFA:
        pattern = str(header.get(name, "")).strip().upper()
        if sorted(pattern) != ["B", "G", "G", "R"]:
            continue
        dx = int(number(header, ("XBAYROFF", "BAYOFFX")) or 0)
        dy = int(number(header, ("YBAYROFF", "BAYOFFY")) or 0)
        order = re.sub(r"[^A-Z]", "", str(header.get("ROWORDER", "")).upper())
        if order == "BOTTOMUP":
            rows = number(header, ("NAXIS2",))
            if rows is None:
                return None
            return "".join(
                pattern[2 * ((int(rows) - 1 - y + dy) % 2) + (x + dx) % 2]
                for y in (0, 1)
                for x in (0, 1)
            )
        return "".join(pattern[2 * ((y + dy) % 2) + (x + dx) % 2] for y in (0, 1) for x in (0, 1))
    return None
