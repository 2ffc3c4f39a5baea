"""Whether a frame's offset, its level without light and dark current, is known without a bias."""

from __future__ import annotations

import math

from coldframe.frame import FrameInfo

SAME_BLACK = 0.002
"""Black levels that agree to this fraction are one: 1 ADU in 500 (our own choice; a dark scaled
by k then leaves k - 1 times that at most)."""


def tells_offset(info: FrameInfo) -> bool:
    """Whether an overscan or a black level that is not zero tells this frame's own offset."""
    return info.overscan is not None or any(info.black or ())


def dark_signal_known(frame: FrameInfo, dark: FrameInfo) -> bool:
    """Whether a dark's signal can be told from its offset without a bias, so that it can be scaled.

    It can where both have an overscan, where both state the same black level, or where the dark
    says that its offset was subtracted (a black level of 0).
    """
    if frame.overscan is not None and dark.overscan is not None:
        return True
    if dark.black is None:
        return False
    if not any(dark.black):
        return True
    if not any(frame.black or ()):
        return False
    mine, theirs = (math.fsum(b) / len(b) for b in (frame.black or (0.0,), dark.black))
    return abs(mine - theirs) <= SAME_BLACK * abs(theirs)
