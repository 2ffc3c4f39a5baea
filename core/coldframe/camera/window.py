"""The part of each frame that is measured, read one frame at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from coldframe.camera.sets import FrameSet, gather
from coldframe.errors import SetAside, StepError, UsageError
from coldframe.frame import Array, Flag, Frame, FrameInfo

Reader = Callable[[FrameInfo], Frame]
_WHOLE = 2_000_000  # pixels: larger frames are measured in their middle part


class Window:
    """Reads the middle of frames and remembers which could not be read.

    first : the facts of the first frame that was decoded. set_aside : (label, reason).
    """

    def __init__(self, read: Reader, area: float | None) -> None:
        self._read, self._area = read, area
        self.first: FrameInfo | None = None
        self.set_aside: list[tuple[str, str]] = []
        self._bad: set[str] = set()

    def frame(self, info: FrameInfo) -> tuple[Array, Array, FrameInfo] | None:
        """(data, flags, facts) of the window, or None for a frame that cannot be read."""
        try:
            frame = self._read(info)
        except SetAside as error:
            if info.label not in self._bad:
                self._bad.add(info.label)
                self.set_aside.append((info.label, str(error)))
            return None
        if frame.data.ndim != 2:
            raise UsageError(f"{info.label} has three colours in each pixel; raw frames are needed")
        if self.first is None:
            self.first = frame.info
        rows, columns = self._region(frame)
        return frame.data[rows, columns], frame.flags[rows, columns], frame.info

    def _region(self, frame: Frame) -> tuple[slice, slice]:
        y0, y1, x0, x1 = frame.info.trim or (0, frame.shape[0], 0, frame.shape[1])
        height, width = y1 - y0, x1 - x0
        area = self._area or (1.0 if height * width <= _WHOLE else 0.5)
        return _middle(y0, y1, area), _middle(x0, x1, area)

    def pixels(self, frames: Sequence[FrameInfo]) -> Iterator[tuple[Array, Array]]:
        """(data, flags) of every frame that can be read."""
        for info in frames:
            found = self.frame(info)
            if found is not None:
                yield found[0], found[1]

    def cfa(self, info: FrameInfo) -> str | None:
        """The colour pattern, if need be from the decoded frame."""
        if info.cfa is None and self.first is None:
            self.frame(info)
        return info.cfa or (self.first.cfa if self.first else None)

    def gather(
        self, frames: Sequence[FrameInfo], offset: tuple[float, ...] | None
    ) -> FrameSet | None:
        """The set of these frames; None when fewer than two can be read."""
        cfa = self.cfa(frames[0])
        try:
            return gather((data for data, _ in self.pixels(frames)), cfa, offset)
        except StepError:
            return None


def _middle(low: int, high: int, share: float) -> slice:
    """The middle of [low, high) that begins and ends at even numbers, for the sake of the CFA."""
    spare = (high - low) * (1 - share) / 2
    start, stop = low + int(spare), high - int(spare)
    start += start % 2
    stop -= (stop - start) % 2
    return slice(start, stop)


def saturated(flags: Array) -> Array:
    """bool: pixels that the reader found at or above the white level."""
    out: Array = (flags & Flag.SATURATED) > 0
    return out
