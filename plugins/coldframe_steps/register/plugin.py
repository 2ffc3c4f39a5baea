"""What the register family adds."""

from __future__ import annotations

from collections.abc import Sequence

from coldframe.hooks import StarGauge, hookimpl
from coldframe.step import Step
from coldframe_steps.register.demosaic import Demosaic
from coldframe_steps.register.gauge import Gauge
from coldframe_steps.register.measure import MeasureStars
from coldframe_steps.register.register import Register


@hookimpl
def coldframe_steps() -> Sequence[type[Step]]:
    """Demosaic, measure stars, register."""
    return [Demosaic, MeasureStars, Register]


@hookimpl
def coldframe_star_gauge() -> StarGauge:
    """Stars as the register step finds them, in the middle of large frames."""
    return Gauge()
