"""One fault, one line: what holds for many frames is told once, with their number."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from coldframe.planned import SetAsideFrame


@dataclass(slots=True)
class _Fault:
    start: str
    labels: list[str] = field(default_factory=list)
    words: str = ""
    size: float = -1.0
    alike: bool = True  # every frame's words are the same


class FaultLines:
    """Collects faults of frames and words them, a line for each kind of fault.

    In words, {them} stands for the frames.
    """

    def __init__(self) -> None:
        self._faults: dict[str, _Fault] = {}

    def add(self, key: str, label: str, start: str, words: str, size: float) -> None:
        """One frame's fault. key : the same for faults to be told as one. size : of the fault; the
        words of the largest are shown."""
        fault = self._faults.setdefault(key, _Fault(start))
        fault.alike &= not fault.words or fault.words == words
        if size > fault.size:
            fault.words, fault.size = words, size
        fault.labels.append(label)

    def lines(self) -> list[str]:
        """Such as "step 'clean': 7 frames (a.fits ...): no dark serves them: ..."."""
        return [_line(fault) for fault in self._faults.values()]


def _line(fault: _Fault) -> str:
    who, them = who_of(fault.labels), "it" if len(fault.labels) == 1 else "them"
    words = fault.words.replace("{them}", them)
    return f"{fault.start}{who}: {words}" + ("" if fault.alike else " (the most of them)")


def who_of(labels: list[str]) -> str:
    """One frame by name, several by number and the first of them."""
    return labels[0] if len(labels) == 1 else f"{len(labels)} frames ({labels[0]} ...)"


def aside_lines(files: Sequence[tuple[str, str]], frames: Sequence[SetAsideFrame]) -> list[str]:
    """A line for each cause why files (label, reason) and frames of a plan are set aside."""
    lines = [f"set aside {label}: {reason}" for label, reason in files]
    causes: dict[str, list[SetAsideFrame]] = {}
    for one in frames:
        causes.setdefault(one.fault or f"{one.info.label} {one.reason}", []).append(one)
    for alike in causes.values():
        reasons = {one.reason for one in alike}
        first = alike[0].reason + ("" if len(reasons) == 1 else " (the first of them)")
        lines.append(f"set aside {who_of([one.info.label for one in alike])}: {first}")
    return lines
