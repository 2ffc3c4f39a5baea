"""Adds the calibrate step."""

from __future__ import annotations

from collections.abc import Sequence

from coldframe.hooks import hookimpl
from coldframe.step import Step
from coldframe_steps.calibrate.step import Calibrate


@hookimpl
def coldframe_steps() -> Sequence[type[Step]]:
    """The calibrate step."""
    return [Calibrate]
