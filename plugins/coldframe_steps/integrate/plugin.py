"""Registers the integrate step."""

from __future__ import annotations

from coldframe.hooks import hookimpl
from coldframe.step import Step
from coldframe_steps.integrate.step import Integrate


@hookimpl
def coldframe_steps() -> list[type[Step]]:
    """The steps of this family."""
    return [Integrate]
