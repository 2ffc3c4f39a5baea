"""A plugin for tests: a step that ends its own process, as a lack of memory would."""

import os

from coldframe.hooks import hookimpl
from coldframe.step import FrameStep


class Deadly(FrameStep):
    name = "deadly"
    about = "Ends the process that runs it"

    def apply(self, frame, ctx):
        os._exit(7)


@hookimpl
def coldframe_steps():
    return [Deadly]
