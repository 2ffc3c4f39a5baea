"""Which frames are looked at beside a night's own, so that a later night changes nothing earlier."""

from __future__ import annotations

from collections.abc import Sequence


def company(
    nights: Sequence[str], lights: Sequence[bool], biases: Sequence[bool], order: Sequence[str]
) -> dict[str, list[int]]:
    """For each night the places of the frames that its own may be compared with, ascending.

    A night with lights keeps company with itself and with folders that hold calibration frames
    only. Has none of these a bias, those of the first night that has some stand in: zero is zero.
    A folder of calibration frames alone is compared with everything. So a further night of lights,
    named last, never changes what is said of an earlier night's frames.

    Parameters
    ----------
    nights : each frame's night. lights, biases : whether it is one, as far as is known.
    order : names of the nights in the order in which they were given.
    """
    own: dict[str, list[int]] = {night: [] for night in order}
    for place, night in enumerate(nights):
        own.setdefault(night, []).append(place)
    lit = {night for night, light in zip(nights, lights, strict=True) if light}
    shared = [place for night in own if night not in lit for place in own[night]]
    zero = {night: [place for place in own[night] if biases[place]] for night in own}
    first = next((zero[night] for night in own if zero[night]), [])
    out = {}
    for night, places in own.items():
        if night not in lit or len(own) == 1:
            out[night] = list(range(len(nights)))
            continue
        beside = [*places, *shared]
        if not any(biases[place] for place in beside):
            beside += first
        out[night] = sorted(beside)
    return out
