"""One master of the library: what is known of it without opening its pixels."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from coldframe.errors import StoreError
from coldframe.facts import describe
from coldframe.frame import FrameInfo, Kind
from coldframe.serving import Candidate

FORMAT = 1
"""Version of entries, rules and index; raise it when an older Coldframe could not read them."""

QUANTISATION = 1 / math.sqrt(12)
"""1 sigma of rounding to whole numbers (EMVA Standard 1288, release 4.0, section 2.4)."""

LABELS = ("kind", "exposure", "iso", "gain_setting", "offset", "temperature")
FLAT_LABELS = ("kind", "filter", "optics", "aperture", "iso", "gain_setting")


@dataclass(frozen=True, slots=True)
class Shot:
    """One frame in a master. level and noise in ADU (median and robust sigma), exposure in s,
    temperature in °C."""

    id: str
    label: str
    start: str | None = None
    exposure: float | None = None
    temperature: float | None = None
    level: float | None = None
    noise: float | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """A master's page. digest : blake2b of its FITS file; size : bytes; added : UTC, ISO 8601.

    measures : level, noise, temporal_noise (ADU), hot_pixels (count), frames and so on.
    """

    key: str
    info: FrameInfo
    measures: Mapping[str, float]
    shots: tuple[Shot, ...]
    digest: str
    size: int
    added: str
    recipe: str = ""
    step: str = ""
    versions: Mapping[str, str] = field(default_factory=dict)

    @property
    def id(self) -> str:
        """How people call it: the start of its key."""
        return self.key[:10]

    @property
    def kind(self) -> Kind:
        """Which kind of master it is."""
        assert self.info.kind is not None
        return self.info.kind

    @property
    def label(self) -> str:
        """Its settings in words."""
        return describe(self.info, FLAT_LABELS if self.kind is Kind.FLAT else LABELS)

    @property
    def levels(self) -> tuple[float, ...]:
        """Median levels of its frames, ADU, where known."""
        return tuple(s.level for s in self.shots if s.level is not None)

    def candidate(self, age_days: float | None) -> Candidate:
        """How a match sees it."""
        ids = tuple(shot.id for shot in self.shots)
        return Candidate(self.key, self.info, self.label, ids, True, age_days)

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "format": FORMAT,
            "key": self.key,
            "info": self.info.to_dict(),
            "measures": dict(self.measures),
            "shots": [asdict(shot) for shot in self.shots],
            "digest": self.digest,
            "size": self.size,
            "added": self.added,
            "recipe": self.recipe,
            "step": self.step,
            "versions": dict(self.versions),
        }

    @classmethod
    def from_json(cls, text: str, where: str) -> Entry:
        """The inverse of `to_dict` as JSON. Raises StoreError that names `where`."""
        try:
            values = json.loads(text)
            form = int(values.pop("format"))
            if form > FORMAT:
                raise StoreError(newer(where, form))
            values["info"] = FrameInfo.from_dict(values["info"])
            values["shots"] = tuple(Shot(**shot) for shot in values["shots"])
            entry = cls(**values)
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise StoreError(f"{where} is damaged: {error}") from None
        if entry.info.kind in (None, Kind.LIGHT):
            raise StoreError(f"{where} is no calibration master")
        return entry


def newer(where: str, form: int) -> str:
    """What to say of files that a later version wrote."""
    return (
        f"{where} was written by a newer Coldframe (format {form}; this one knows up to {FORMAT}); "
        "update Coldframe, or name another library with --library. Nothing was changed"
    )


def mean_error(values: Sequence[float]) -> tuple[float, float] | None:
    """Mean of frames' levels and its 1 sigma error, s / sqrt(n) with no s below rounding.

    None without values. Levels are medians of whole numbers: see `QUANTISATION`.
    """
    n = len(values)
    if not n:
        return None
    mean = math.fsum(values) / n
    spread = math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (n - 1)) if n > 1 else 0.0
    return mean, max(spread, QUANTISATION) / math.sqrt(n)
