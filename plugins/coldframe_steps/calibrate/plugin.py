"""Adds the calibrate step, and the one that measures masters."""

from __future__ import annotations

from collections.abc import Sequence

from coldframe.hooks import hookimpl
from coldframe.step import Step
from coldframe_steps.calibrate.measure_master import MeasureMaster
from coldframe_steps.calibrate.step import Calibrate


@hookimpl
def coldframe_steps() -> Sequence[type[Step]]:
    """The calibrate step and measure-master."""
    return [Calibrate, MeasureMaster]
