"""Source frames that were decoded lately, so that one look does not decode what another just did.

Recognising, inspecting and calibrating a frame each need its pixels, and decoding a compressed raw
file takes longer than most of what is done with them. What is kept is bounded in bytes; it begins
with nothing, and `keep` says how much may stay.
"""

from __future__ import annotations

import threading
from collections.abc import Hashable
from dataclasses import dataclass, replace

import numpy as np

from coldframe.frame import Array, Frame, FrameInfo
from coldframe.hooks import FrameReader

SPARSE = 16
"""Flags are kept as a list when no more than one pixel in so many has any."""


@dataclass(frozen=True, slots=True)
class _Kept:
    """Pixels, and flags as a list: places and values of those that are not 0."""

    data: Array
    places: Array
    values: Array

    @property
    def size(self) -> int:
        return int(self.data.nbytes + self.places.nbytes + self.values.nbytes)

    def frame(self, info: FrameInfo) -> Frame:
        shape = self.data.shape[-2:]
        flags = np.zeros(shape, np.uint8)
        flags.reshape(-1)[self.places] = self.values
        return Frame(self.data, flags, replace(info, shape=shape))


class Decoded:
    """Frames by what was asked for. Thread-safe.

    The first ones stay: all are looked at in turn, so that the last would push out the next.
    """

    def __init__(self) -> None:
        self._room = 0
        self._held = 0
        self._kept: dict[Hashable, _Kept] = {}
        self._lock = threading.Lock()

    def keep(self, room: int) -> int:
        """From now on keep no more than `room` bytes; how many are kept now."""
        with self._lock:
            self._room = max(0, room)
            while self._held > self._room:
                self._held -= self._kept.popitem()[1].size
            return self._held

    def read(self, reader: FrameReader, info: FrameInfo) -> Frame:
        """What the reader makes of a source frame; raises what it raises.

        The arrays are for everybody: nobody may change them.
        """
        key = _key(reader, info)
        with self._lock:
            kept = self._kept.get(key)
        if kept is not None:
            return kept.frame(info)
        frame = reader.read_frame(info)
        # A reader adds facts that nobody told it: asked with them, it gives the same.
        self._put(_key(reader, frame.info), frame)
        return frame

    def _put(self, key: Hashable, frame: Frame) -> None:
        plain = not (frame.planes or frame.measures or frame.history)
        if not plain or not frame.info.digest or frame.data.nbytes > self._room:
            return
        places = np.flatnonzero(frame.flags)
        if places.size * SPARSE > frame.flags.size:
            return
        kept = _Kept(frame.data, places, frame.flags.reshape(-1)[places])
        with self._lock:
            if key not in self._kept and self._held + kept.size <= self._room:
                self._kept[key] = kept
                self._held += kept.size


def _key(reader: FrameReader, info: FrameInfo) -> Hashable:
    place = info.path, info.digest, info.hdu, info.plane
    return (reader.name, reader.version, *place, info.cfa, info.black, info.white)


decoded = Decoded()
"""Those of this process."""
