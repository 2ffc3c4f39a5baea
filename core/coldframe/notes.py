"""The notes file: what the camera does not record, written by the photographer.

A night's folder, or any folder below it, may hold `notes.yaml`, `notes.csv` or both. A notes file
speaks for the files in its own folder and below; one deeper down is applied first.

The YAML form
-------------
Every line is optional. ::

    date: 2026-01-14            # the evening's date; needed only where a time has no date
    utc_offset: +01:00          # how far the camera's clock is ahead of UTC
    target: Ring of reeds       # facts of the whole night (see the list below)
    filter: clear
    optics: 135 mm lens
    temperatures:               # sensor or air temperature by time
      - {time: 21:40, celsius: 11.5}
      - {time: 2026-01-15T01:10, celsius: 8}
    kinds:                      # what files were shot as, by glob
      dark: darks/*
      flat: [flats/*, "IMG_02*"]
    files:                      # about some files only; later entries win over earlier ones
      - match: "darks/cold/*"
        temperature: -5
      - match: [IMG_0107.dng, IMG_0108.dng]
        leave_out: the dew heater was off
      - match: IMG_0108.dng
        use_anyway: true

Facts: `camera`, `lens`, `optics`, `filter`, `target` (names); `iso`; `gain_setting` and `offset`
(a cooled camera's own numbers); `gain` (e-/ADU); `read_noise` (e-); `exposure` (s); `temperature`
(°C); `aperture` (f-number); `focal_length` (mm); `binning` (2, or 2x2 across and down); `cfa`
(RGGB and the like: the colours of the top left 2 x 2, row by row); `black` (ADU, one number
or four in the same order); `white` (ADU).

At the top level a fact fills in what the file does not say and changes nothing else. Under `files`
a fact replaces what the file says, and `kind`, `leave_out` (a reason) and `use_anyway` are possible too.
`use_anyway: true` takes back an earlier, broader `leave_out`, and uses a frame that the inspection would set
aside.
`target` is given to lights only, `filter` and `optics` to lights and flats.

`kinds` is applied after the frame's own header and before the look at its pixels; `kind` under
`files` is applied before all else.

A glob is compared, without regard to case, with the path below the folder of the notes file
(`darks/IMG_0001.dng`); one without a `/` also with the bare file name. `*` is any text, `?` any
one character, `[abc]` one of these. The first kind that fits is taken.

A time is 2026-01-14T21:40 (seconds may follow), or 21:40 alone when `date` is given: from noon on
it belongs to that date, before noon to the day after. A time may end in Z or an offset such as
+01:00; otherwise it is by the camera's clock, `utc_offset` ahead of UTC (0 when not given).
`utc_offset` is also taken off the start time of frames whose file stores the camera's clock with
no offset of its own.

The temperature of a frame is read at the middle of its exposure, on the straight line between the
two entries around it. It is not carried on for more than 30 minutes before the first or after the
last entry, nor into the middle of a gap of more than 6 hours. It is used when the file
itself records none.

The CSV form
------------
The first row names the columns, in any order; empty cells say nothing. Columns: `file` (a glob),
`time`, `celsius`, `date`, `utc_offset`, `kind`, `leave_out`, `use_anyway`, and every fact above. Each row
is one of three: with `time` and `celsius`, a temperature; with `file`, the same as an entry of
`files`; with neither, facts of the whole night. ::

    time,celsius,file,kind,leave_out,filter,utc_offset
    ,,,,,clear,+01:00
    2026-01-14T21:40,11.5,,,,,
    2026-01-15T01:10,8,,,,,
    ,,flats/*,flat,,,
    ,,IMG_0107.dng,,the dew heater was off,,

Cells may be separated by commas, semicolons or tabs; with the last two a decimal comma is read as
a decimal point. Lines that begin with # are skipped.
"""

from __future__ import annotations

import fnmatch
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from coldframe.frame import Kind

FILE_NAMES = ("notes.yaml", "notes.csv")
HOLD = timedelta(minutes=30)
WIDEST_GAP = timedelta(hours=6)


@dataclass(frozen=True, slots=True)
class FileNote:
    """What the notes say of the files that fit `globs`."""

    globs: tuple[str, ...]
    facts: Mapping[str, Any] = field(default_factory=dict)
    kind: Kind | None = None
    leave_out: str | None = None
    use_anyway: bool = False


@dataclass(frozen=True, slots=True)
class Notes:
    """One folder's notes. Temperatures are in °C at UTC times, earliest first.

    Paths handed to the methods are relative to the notes file's folder, with forward slashes.
    """

    file: str = ""
    facts: Mapping[str, Any] = field(default_factory=dict)
    temperatures: tuple[tuple[datetime, float], ...] = ()
    utc_offset: timedelta | None = None
    kinds: tuple[tuple[Kind, tuple[str, ...]], ...] = ()
    files: tuple[FileNote, ...] = ()

    def temperature_at(self, when: datetime) -> float | None:
        """Degrees Celsius at that time, or None when no entry is near enough."""
        if not self.temperatures:
            return None
        times = np.array([(t - when).total_seconds() for t, _ in self.temperatures])
        values = np.array([value for _, value in self.temperatures])
        after = int(np.searchsorted(times, 0.0))
        hold = HOLD.total_seconds()
        if 0 < after < len(times) and times[after] - times[after - 1] <= WIDEST_GAP.total_seconds():
            return float(np.interp(0.0, times, values))
        near = int(np.argmin(np.abs(times)))
        return float(values[near]) if abs(times[near]) <= hold else None

    def kind_by_glob(self, path: str) -> tuple[Kind, str] | None:
        """The kind that `kinds` gives this file, and the glob that did."""
        for kind, globs in self.kinds:
            for glob in globs:
                if fits(path, glob):
                    return kind, glob
        return None

    def kind_by_file(self, path: str) -> tuple[Kind, str] | None:
        """The kind that `files` gives this file, and the glob that did."""
        found = None
        for note in self.files:
            glob = _first_fit(path, note.globs)
            if glob is not None and note.kind is not None:
                found = note.kind, glob
        return found

    def verdict(self, path: str) -> str | None:
        """Why this file is to be left out; "" when it is to be kept; None when nothing is said."""
        said: str | None = None
        for note in self.files:
            if _first_fit(path, note.globs) is not None:
                said = note.leave_out if note.leave_out is not None else said
                said = "" if note.use_anyway else said
        return said

    def file_facts(self, path: str) -> dict[str, Any]:
        """The facts that `files` states of this file."""
        out: dict[str, Any] = {}
        for note in self.files:
            if _first_fit(path, note.globs) is not None:
                out |= note.facts
        return out

    def globs(self) -> tuple[str, ...]:
        """Every glob in the notes, to tell which of them fit no file."""
        kinds = [glob for _, globs in self.kinds for glob in globs]
        return tuple(dict.fromkeys(kinds + [glob for note in self.files for glob in note.globs]))


def fits(path: str, glob: str) -> bool:
    """Whether a path below the notes file's folder fits a glob, without regard to case."""
    path, glob = path.lower(), glob.lower()
    return fnmatch.fnmatchcase(path, glob) or (
        "/" not in glob and fnmatch.fnmatchcase(path.rsplit("/", 1)[-1], glob)
    )


def _first_fit(path: str, globs: tuple[str, ...]) -> str | None:
    return next((glob for glob in globs if fits(path, glob)), None)
