"""Numbers and facts as short text for people."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import datetime


def number(value: float | None, digits: int = 4) -> str:
    """`value` to so many significant digits, with all the digits of its whole part.

    None and NaN give an en dash; very large and very small values use powers of ten.

    Examples
    --------
    >>> number(1234.567), number(0.0123456), number(-2.0), number(None)
    ('1235', '0.01235', '-2', '–')
    """
    if value is None or math.isnan(value):
        return "–"
    if math.isinf(value):
        return "∞" if value > 0 else "-∞"
    if value == 0:
        return "0"
    size = math.floor(math.log10(abs(value)))
    if not -5 < size < 9:
        return f"{value:.{digits - 1}e}"
    text = f"{value:.{max(0, digits - 1 - size)}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text


def duration(seconds: float | None) -> str:
    """A time span in the two units that matter.

    Examples
    --------
    >>> duration(2760), duration(9960), duration(12.34), duration(75)
    ('46 min', '2 h 46 min', '12.3 s', '1 min 15 s')
    """
    if seconds is None or not math.isfinite(seconds):
        return "–"
    if seconds < 60:
        return f"{number(seconds, 3)} s"
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    if hours:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    return f"{minutes} min {left} s" if left else f"{minutes} min"


def moment(when: datetime | None) -> str:
    """A UTC time to the second."""
    return "–" if when is None else when.strftime("%Y-%m-%d %H:%M:%S")


def count(many: int, one: str, more: str = "") -> str:
    """A number with its noun.

    Examples
    --------
    >>> count(1, "light"), count(3, "light"), count(2, "bias", "biases")
    ('1 light', '3 lights', '2 biases')
    """
    return f"{many} {one if many == 1 else more or one + 's'}"


def listing(words: Iterable[str]) -> str:
    """Words in a sentence: "a, b and c"."""
    words = list(words)
    if len(words) < 2:
        return "".join(words)
    return ", ".join(words[:-1]) + " and " + words[-1]


def folder_name(path: str | None) -> str:
    """The last part of a folder's path: a report that is passed on tells nothing of the disk."""
    return (path or "").replace("\\", "/").rstrip("/").rsplit("/", 1)[-1]
