"""Tries a reader against what the engine counts on."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from coldframe.errors import SetAside
from coldframe.frame import Flag, Frame, FrameInfo
from coldframe.hooks import FrameReader
from coldframe.testing.check import fault, tell
from coldframe.testing.running import frame_digest

THREADS = 3
_PATTERN = re.compile("[RGB]{4}")


@dataclass(frozen=True)
class _Trial:
    reader: FrameReader
    files: Sequence[Path]

    def read(self) -> Iterator[tuple[FrameInfo, Mapping[str, Any], Frame]]:
        """Every frame of every file, with its facts and header."""
        for path in self.files:
            for info, header in self.reader.read_info(path):
                yield info, header, self.reader.read_frame(info)


def declared(trial: _Trial) -> None:
    """Name, version and about are texts; suffixes are lower case, with their dot; the files have them."""
    reader = trial.reader
    for name in ("name", "version", "about"):
        value = getattr(reader, name, None)
        assert isinstance(value, str), f"{name} is {value!r}, not a text"
        assert value, f"{name} is empty"
    assert not isinstance(reader.suffixes, str), "suffixes is one text: make it a tuple of texts"
    for suffix in reader.suffixes:
        assert re.fullmatch(r"(\.[^.\s]+)+", suffix), f"suffix '{suffix}' needs its dot"
        assert suffix == suffix.lower(), f"suffix '{suffix}': write it in lower case"
    assert trial.files, "no file was given to try it on"
    for path in trial.files:
        assert path.name.lower().endswith(tuple(reader.suffixes)), (
            f"{path.name} has none of the suffixes {', '.join(reader.suffixes)}"
        )


def facts(trial: _Trial) -> None:
    """read_info tells of each frame its file and size, and facts in their units."""
    for path in trial.files:
        found = list(trial.reader.read_info(path))
        assert found, f"{path.name}: read_info tells of no frame; raise SetAside if there is none"
        for info, header in found:
            assert isinstance(header, Mapping), f"{path.name}: the header is no mapping"
            for said in _wrong_facts(path, info):
                raise AssertionError(f"{path.name}: {said}")


def _wrong_facts(path: Path, info: FrameInfo) -> Iterator[str]:
    if info.path != str(path):
        yield f"info.path is '{info.path}', not the file's path"
    if info.shape is None or len(info.shape) != 2 or min(info.shape) < 1:
        yield f"info.shape is {info.shape}; give (rows, columns)"
    for name in ("exposure", "gain", "read_noise", "aperture", "focal_length", "iso", "white"):
        value = getattr(info, name)
        if value is not None and not (np.isfinite(value) and value >= 0):
            yield f"info.{name} is {value}; leave out what is not known (None)"
    if info.temperature is not None and not -273.15 <= info.temperature < 200:
        yield f"info.temperature is {info.temperature}; it is in °C"
    if info.cfa is not None and not _PATTERN.fullmatch(info.cfa):
        yield f"info.cfa is '{info.cfa}'; give four colours such as RGGB, None for no mosaic"
    if info.black is not None and len(info.black) not in (1, 4):
        yield f"info.black has {len(info.black)} values; give one, or four in the order of the cfa"
    if info.black and info.white is not None and max(info.black) >= info.white:
        yield f"info.black {info.black} is not below info.white {info.white}"


def pixels(trial: _Trial) -> None:
    """read_frame gives uint16 or float32 data and uint8 flags of the size that was told."""
    for info, _, frame in trial.read():
        label = info.label
        assert frame.data.dtype in (np.uint16, np.float32), (
            f"{label}: data is {frame.data.dtype}; give uint16 or float32, of this machine's order"
        )
        assert frame.flags.dtype == np.uint8, f"{label}: flags are {frame.flags.dtype}, not uint8"
        assert frame.shape == info.shape, f"{label}: {frame.shape} pixels, {info.shape} were told"
        assert np.all(np.isfinite(frame.data[..., (frame.flags & Flag.NO_DATA) == 0])), (
            f"{label}: some pixels are NaN or infinite; write 0 and flag NO_DATA"
        )


def saturated(trial: _Trial) -> None:
    """Pixels at or above the white level that was told are flagged SATURATED."""
    for info, _, frame in trial.read():
        white = frame.info.white if frame.info.white is not None else info.white
        if white is None:
            continue
        full = (frame.channels >= white).any(axis=0) & ((frame.flags & Flag.SATURATED) == 0)
        assert not full.any(), (
            f"{info.label}: {np.count_nonzero(full)} pixels at or above the white level {white:g} "
            "have no flag SATURATED"
        )


def repeatable(trial: _Trial) -> None:
    """Files give the same each time, from several threads at once too, and stay as they are."""
    before = [(path.read_bytes(), path.stat().st_mtime_ns) for path in trial.files]
    own = repr(vars(trial.reader))
    first = _digests(trial)
    assert _digests(trial) == first, "reading the files again gives other facts or pixels"
    with ThreadPoolExecutor(THREADS) as pool:
        for other in pool.map(lambda _: _digests(trial), range(THREADS)):
            assert other == first, "several threads at once give other facts or pixels"
    assert repr(vars(trial.reader)) == own, "it keeps something on itself between calls"
    after = [(path.read_bytes(), path.stat().st_mtime_ns) for path in trial.files]
    assert after == before, "it changed a file; source frames are only ever read"


def _digests(trial: _Trial) -> list[str]:
    return [f"{info} {header} {frame_digest(frame)}" for info, header, frame in trial.read()]


def damaged(trial: _Trial) -> None:
    """A file that is empty, cut short, noise or gone is told by SetAside, in words."""
    noise = np.random.default_rng(1).bytes(5000)
    for path in trial.files:
        whole = path.read_bytes()
        hurt = {
            "an empty file": b"",
            "half of the file": whole[: len(whole) // 2],
            "the first bytes of the file": whole[: min(100, len(whole) // 4)],
            "random bytes": noise,
            "no file at all": None,
        }
        for what, content in hurt.items():
            with _copy(path, content) as copy:
                said = _reason(trial.reader, copy)
            assert said is not None, f"{what} ({path.name}) is read as if it were sound"
            assert len(said.split()) > 2, f"{what}: '{said}' does not say what is wrong"


@contextmanager
def _copy(path: Path, content: bytes | None) -> Iterator[Path]:
    """A file of the same name that holds `content`, beside links to what lies beside the file."""
    with tempfile.TemporaryDirectory() as folder:
        for beside in path.parent.iterdir():
            if beside.is_file() and beside.name != path.name:
                (Path(folder) / beside.name).symlink_to(beside.resolve())
        copy = Path(folder) / path.name
        if content is not None:
            copy.write_bytes(content)
        yield copy


def _reason(reader: FrameReader, path: Path) -> str | None:
    """Why the reader sets the file aside; None when it reads it."""
    try:
        for info, _ in reader.read_info(path):
            reader.read_frame(replace(info, path=str(path)))
    except SetAside as reason:
        return str(reason)
    except FileNotFoundError as error:  # the engine says this as well as any reader could
        return f"no such file: {error.filename}"
    except Exception as error:
        raise AssertionError(
            f"{type(error).__name__} on a damaged {path.name}: {error}; raise SetAside with a reason"
        ) from error
    return None


_ALL: Sequence[Callable[[_Trial], None]] = (declared, facts, pixels, saturated, repeatable, damaged)
READER_RULES: Mapping[str, str] = {rule.__name__: str(rule.__doc__) for rule in _ALL}
"""Every rule of `check_reader` by name, with what it says."""


def check_reader(
    reader: FrameReader, files: Sequence[Path], *, leave_out: Sequence[str] = ()
) -> None:
    """Raise AssertionError, with every rule that the reader breaks and how.

    Parameters
    ----------
    files : sound files of the reader's format, small ones. Copies of them are damaged.
    leave_out : names of rules not to try (see READER_RULES); say why beside the call.
    """
    __tracebackhide__ = True
    unknown = set(leave_out) - set(READER_RULES)
    if unknown:
        raise ValueError(f"no rule is called {', '.join(sorted(unknown))}; see READER_RULES")
    trial = _Trial(reader, [Path(path) for path in files])
    wanted = [rule for rule in _ALL if rule.__name__ not in leave_out]
    faults = {rule.__name__: said for rule in wanted if (said := fault(rule, trial))}
    tell(f"reader '{getattr(reader, 'name', type(reader).__name__)}'", faults)
