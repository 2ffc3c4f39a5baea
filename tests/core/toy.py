"""A toy plugin for tests of the engine: steps of every shape, plain numpy."""

import numpy as np
import pluggy

from coldframe import hooks
from coldframe.errors import SetAside
from coldframe.frame import Frame
from coldframe.hooks import hookimpl
from coldframe.plugins import Origin, Registry, collect
from coldframe.step import Column, FrameStep, MeasureStep, StackStep


class Add(FrameStep):
    name = "add"
    about = "Adds a number, and a master dark if there is one"
    params = {
        "amount": {"description": "What to add.", "type": "number", "default": 1, "unit": "ADU"}
    }
    master_kinds = ("dark", "bias")

    def apply(self, frame, ctx):
        if frame.data.mean() > 9000:
            raise SetAside("far too bright")
        data = frame.data + np.float32(ctx.params["amount"])
        for master in ctx.masters.values():
            data = data - master.data
        return frame.with_pixels(data)


class Centre(FrameStep):
    name = "centre"
    about = "Shifts every frame to the group's lowest mean"
    columns = {"level": Column("ADU", "mean of the frame")}

    def survey(self, frame, ctx):
        return {"level": np.array([frame.data.mean(dtype=np.float64)])}

    def decide(self, rows, ctx):
        return {"lowest": np.array([min(row.measures["level"] for row in rows)])}

    def apply(self, frame, ctx):
        offset = ctx.decision["lowest"][0] - ctx.survey["level"][0]
        return frame.with_pixels(frame.data + np.float32(offset))


class Mean(StackStep):
    name = "mean"
    about = "Mean with weights by level"
    min_frames = 2
    columns = {"share": Column("ratio", "weight in the stack")}

    def survey(self, frame, ctx):
        return {"level": np.array([frame.data.mean(dtype=np.float64)])}

    def prepare(self, rows, ctx):
        return {"share": np.full(len(rows), 1 / len(rows))}

    def reduce(self, tile, ctx):
        share = ctx.decision["share"][:, None, None]
        return {
            "data": (tile.data * share).sum(axis=0).astype(np.float32),
            "flags": np.bitwise_or.reduce(tile.flags, axis=0),
            "count": np.full(tile.data.shape[1:], len(tile.data), np.uint16),
        }

    def finish(self, stack: Frame, ctx):
        return stack.with_measures(noise=float(stack.data.std()))


class Peak(MeasureStep):
    name = "peak"
    about = "Brightest pixel"
    columns = {"peak": Column("ADU", "brightest pixel")}

    def measure(self, frame, ctx):
        return {"peak": float(frame.data.max())}


class TextWriter:
    name = "text"
    version = "1"
    about = "The mean as text"
    params = {"digits": {"description": "Digits.", "type": "integer", "default": 3}}

    def write(self, frame, folder, stem, params):
        path = folder / f"{stem}.txt"
        path.write_text(f"{frame.data.mean():.{params['digits']}f}")
        return path


class Plugin:
    @hookimpl
    def coldframe_steps(self):
        return [Add, Centre, Mean, Peak]

    @hookimpl
    def coldframe_writers(self):
        return [TextWriter()]


def registry(**more) -> Registry:
    """A registry of the toy plugin and any others given by name."""
    manager = pluggy.PluginManager(hooks.PROJECT)
    manager.add_hookspecs(hooks)
    plugins = {"toy": Plugin(), **more}
    for name, plugin in plugins.items():
        manager.register(plugin, name=name)
    origins = {name: Origin(name, "toy-package", "1.0", "toy") for name in plugins}
    return collect(manager, origins, {})
