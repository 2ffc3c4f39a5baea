"""A plugin for tests: a step that changes nothing."""

from coldframe.hooks import hookimpl
from coldframe.step import FrameStep


class Mild(FrameStep):
    name = "mild"
    about = "Changes nothing"

    def apply(self, frame, ctx):
        return frame


@hookimpl
def coldframe_steps():
    return [Mild]
