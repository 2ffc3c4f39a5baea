"""When each line of a shot list can be shot, and in which order."""

from __future__ import annotations

import math
from dataclasses import replace

from coldframe.frame import Kind
from coldframe.matching import DEFAULT_RULES
from coldframe.shots.forecast import clock, spans
from coldframe.shots.items import Item, Wish

_TURNS = {Kind.FLAT: 0, Kind.DARK_FLAT: 1, Kind.DARK: 2, Kind.BIAS: 3}


def _cooled(item: Item) -> bool:
    """Whether its temperature can be set: a camera with a gain setting whose header tells it."""
    info = item.info
    return info.gain_setting is not None and info.temperature_source == "header"


def placed(item: Item, wish: Wish) -> Item:
    """With the time at which the forecast allows it."""
    if item.shoot == 0:
        return replace(item, when="enough")
    if item.kind is Kind.FLAT:
        return replace(item, when="with the optics untouched: twilight, or an even light source")
    if item.kind is not Kind.DARK:
        return replace(item, when="any time")
    temperature = item.info.temperature
    if temperature is None:
        return replace(item, when="at the lights' temperature")
    if _cooled(item):
        return replace(item, when=f"any time, sensor set to {temperature:.0f} °C")
    if wish.forecast is None:
        return replace(item, when=f"when the sensor is near {temperature:.0f} °C")
    tolerance = float(DEFAULT_RULES["dark"]["temperature"])
    found = spans(wish.forecast, temperature, tolerance, wish.above)
    if not found:
        low, high = wish.forecast.range
        words = (
            f"not in this forecast: the sensor will be at {low + wish.above:.0f} to "
            f"{high + wish.above:.0f} °C"
        )
        return replace(item, when=words)
    longest = max(found, key=lambda s: s.end - s.start)
    first = longest if item.seconds > 60 * (found[0].end - found[0].start) else found[0]
    minutes = first.end - first.start
    each = (item.info.exposure or 0.0) + wish.overhead
    room = int(60 * minutes / each)
    words = first.text
    if room < item.shoot:
        words += f" (time for {room})"
    else:
        words += f" (done by {clock(first.start + item.seconds / 60)} if begun at once)"
    return replace(item, when=words, start=first.start)


def order(item: Item, wish: Wish) -> tuple[object, ...]:
    """What is enough goes last; then by time; then flats first, and warm darks before cold."""
    warm = item.info.temperature
    return (
        item.shoot == 0,
        item.start if wish.forecast else 0.0,
        _TURNS[item.kind],
        -(warm if warm is not None else -math.inf),
        item.info.iso or 0,
        item.info.exposure or 0.0,
    )
