"""Small steps, some sound, the others each with one fault that `coldframe.testing` must find."""

import random
import time

import numpy as np

from coldframe.errors import SetAside
from coldframe.frame import UNUSABLE, Flag
from coldframe.step import Column, Flow, FrameStep, MeasureStep, StackStep


class Scale(FrameStep):
    """Sound: every broken frame step is this one but for one thing."""

    name = "scale"
    about = "Multiplies by a factor"
    params = {"factor": {"description": "The factor.", "type": "number", "default": 2.0}}
    sources = ("common practice, no source",)
    columns = {"level": Column("ADU", "mean of the usable pixels")}

    def apply(self, frame, ctx):
        good = (frame.flags & UNUSABLE) == 0
        if not good.any():
            raise SetAside("no usable pixel is left in it")
        data = self.scaled(frame, ctx).astype(np.float32)
        level = data[..., good].mean(dtype=np.float64)
        return self.done(frame.with_pixels(data), float(level))

    def scaled(self, frame, ctx):
        return frame.data * ctx.params["factor"]

    def done(self, frame, level):
        return frame.with_measures(level=level)


class Mean(StackStep):
    """Sound, with a halo that it uses."""

    name = "smooth-mean"
    about = "Mean of the usable samples, smoothed over three rows"
    sources = ("common practice, no source",)

    def halo_rows(self, params):
        return 1

    def reduce(self, tile, ctx):
        total, count = self.sums(tile, ctx)
        data = np.where(count, total / np.maximum(count, 1), 0)
        padded = np.pad(data, ((1, 1), (0, 0)), mode="edge")
        return {
            "data": ((padded[:-2] + padded[1:-1] + padded[2:]) / 3).astype(np.float32),
            "flags": self.flags(tile, count),
        }

    def sums(self, tile, ctx):
        use = (tile.flags & UNUSABLE) == 0
        return np.where(use, tile.data, 0).sum(axis=0, dtype=np.float64), use.sum(axis=0)

    def flags(self, tile, count):
        kept = np.bitwise_or.reduce(tile.flags, axis=0) & ~np.uint8(UNUSABLE)
        return np.where(count, kept, kept | np.uint8(Flag.NO_DATA)).astype(np.uint8)


class Brightest(MeasureStep):
    """Sound."""

    name = "brightest"
    about = "The brightest usable pixel"
    sources = ("common practice, no source",)
    columns = {"peak": Column("ADU", "the brightest usable pixel")}

    def measure(self, frame, ctx):
        good = frame.data[..., (frame.flags & UNUSABLE) == 0]
        if good.size == 0:
            raise SetAside("no usable pixel is left in it")
        return {"peak": float(good.max())}


SOUND = (Scale, Mean, Brightest)


class BadName(Scale):
    name = "Scale It"


class BadFlow(Scale):
    flow = Flow(pixels=("mono", "grey"))


class BadDefault(Scale):
    params = {"factor": {**Scale.params["factor"], "type": "string"}}


class NoSuchType(Scale):
    params = {"factor": {**Scale.params["factor"], "type": "real"}}


class NoType(Scale):
    params = {"factor": {"description": "The factor.", "default": 2.0}}


class NoSources(Scale):
    sources = ()


class NoUnit(Scale):
    columns = {"level": Column("", "mean")}


class BinsMosaics(Scale):
    """The fault of a first try: every 2 x 2 of whatever comes in becomes one pixel."""

    def done(self, frame, level):
        h, w = (size // 2 * 2 for size in frame.shape)
        data = frame.data[..., :h, :w].reshape(*frame.data.shape[:-2], h // 2, 2, w // 2, 2)
        flags = frame.flags[:h, :w].reshape(h // 2, 2, w // 2, 2)
        mean = data.mean(axis=(-3, -1), dtype=np.float32)
        flags = np.bitwise_or.reduce(np.bitwise_or.reduce(flags, axis=3), axis=1)
        return frame.with_pixels(mean, flags, **self.facts(frame, mean)).with_measures(level=level)

    def facts(self, frame, data):
        return {"shape": data.shape[-2:]}


class SaysOldSize(BinsMosaics):
    flow = Flow(pixels=("mono",))

    def facts(self, frame, data):
        return {}


class Colours(Scale):
    """A mosaic comes out in colour, unsaid."""

    flow = Flow(pixels=("mosaic",))

    def done(self, frame, level):
        return frame.with_pixels(np.stack([frame.data] * 3), cfa=None).with_measures(level=level)


class ClearsTwo(Scale):
    def done(self, frame, level):
        kept = frame.flags & ~np.uint8(Flag.HOT | Flag.COLD)
        return frame.with_pixels(frame.data, kept).with_measures(level=level)


class _Hidden:
    class Local(Scale):
        pass


Local = _Hidden.Local
Local.__qualname__ = "Local.<locals>.Local"


class AllAside(Scale):
    def apply(self, frame, ctx):
        raise SetAside("this frame does not suit me")


class Doubles(Scale):
    def apply(self, frame, ctx):
        return frame.with_pixels(super().apply(frame, ctx).data.astype(np.float64))


class Nan(Scale):
    def scaled(self, frame, ctx):
        return np.where(frame.flags & UNUSABLE, np.nan, frame.data)


class Undeclared(Scale):
    def done(self, frame, level):
        return frame.with_measures(brightness=level)


class NanNumber(Scale):
    def done(self, frame, level):
        return frame.with_measures(level=float("nan"))


class Silent(Brightest):
    def measure(self, frame, ctx):
        return {}


class ClearsHot(Scale):
    def done(self, frame, level):
        return frame.with_pixels(frame.data, frame.flags & ~np.uint8(Flag.HOT))


class NoFlags(Mean):
    def flags(self, tile, count):
        return np.zeros(count.shape, np.uint8)


class UsesAll(Mean):
    def sums(self, tile, ctx):
        return tile.data.sum(axis=0, dtype=np.float64), np.full(tile.data.shape[1:], len(tile.data))


class PeakOfAll(Brightest):
    def measure(self, frame, ctx):
        return {"peak": float(frame.data[frame.flags & UNUSABLE > 0].mean())}


class InPlace(Scale):
    def scaled(self, frame, ctx):
        data = frame.data
        data *= np.float32(ctx.params["factor"])
        return data


class GlobalRandom(Scale):
    def scaled(self, frame, ctx):
        random.random()
        return frame.data


class GlobalNumpyRandom(Scale):
    def scaled(self, frame, ctx):
        return frame.data + np.random.normal(size=frame.data.shape)


class Remembers(Scale):
    def scaled(self, frame, ctx):
        self.last = frame.info.label
        return frame.data


class ClassRemembers(Scale):
    seen = []

    def scaled(self, frame, ctx):
        self.seen.append(frame.info.label)
        return frame.data


class Clock(Scale):
    def scaled(self, frame, ctx):
        return frame.data + time.perf_counter_ns() % 1000


_first = {}


class KeepsFirst(Scale):
    """Takes the first frame's level that it ever saw for all later ones."""

    def scaled(self, frame, ctx):
        return frame.data - _first.setdefault(frame.info.label, float(frame.data.mean()))


class Hashes(Scale):
    def scaled(self, frame, ctx):
        return frame.data + hash(frame.info.label) % 1000


_scratch = {}


class Scratch(Scale):
    """Puts what it works on into one place for all threads."""

    def scaled(self, frame, ctx):
        _scratch["data"] = frame.data
        time.sleep(0.002 * (1 + int(frame.data[0, 0]) % 3))
        return _scratch["data"]


class TileMean(Mean):
    def sums(self, tile, ctx):
        total, count = super().sums(tile, ctx)
        return total - tile.data.mean(), count


class ThinHalo(Mean):
    def halo_rows(self, params):
        return 0


class FirstCounts(Mean):
    def sums(self, tile, ctx):
        total, count = super().sums(tile, ctx)
        return total + tile.data[0] * 0.01, count


class Breaks(Brightest):
    def measure(self, frame, ctx):
        return {"peak": float(frame.data[(frame.flags & UNUSABLE) == 0].max())}


class Terse(Brightest):
    def measure(self, frame, ctx):
        if (frame.flags & UNUSABLE).all():
            raise SetAside("bad")
        return super().measure(frame, ctx)


class EmptyNan(Mean):
    def reduce(self, tile, ctx):
        planes = super().reduce(tile, ctx)
        gone = (planes["flags"] & np.uint8(Flag.NO_DATA)) != 0
        return {**planes, "spread": np.where(gone, np.nan, 1).astype(np.float32)}
