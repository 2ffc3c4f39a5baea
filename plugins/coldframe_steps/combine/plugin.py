"""Registers the combine step."""

from __future__ import annotations

from coldframe.hooks import hookimpl
from coldframe.step import Step
from coldframe_steps.combine.step import Combine


@hookimpl
def coldframe_steps() -> list[type[Step]]:
    """The steps of this family."""
    return [Combine]
