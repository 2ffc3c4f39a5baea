"""Adds the background-fit step."""

from __future__ import annotations

from collections.abc import Sequence

from coldframe.hooks import hookimpl
from coldframe.step import Step
from coldframe_steps.background.step import BackgroundFit


@hookimpl
def coldframe_steps() -> Sequence[type[Step]]:
    """The background-fit step."""
    return [BackgroundFit]
