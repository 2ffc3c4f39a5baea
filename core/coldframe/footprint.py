"""What each task takes: memory while it runs, and room in the store for what it makes.

Figures come from what the steps declare (`Step.takes`) and from the sizes of frames; a slow test
holds them against measured peaks.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from coldframe.budget import Need
from coldframe.frame import FrameInfo
from coldframe.planned import Plan, Resources
from coldframe.plugins import Registry
from coldframe.specs import (
    BandTask,
    BlendTask,
    DecideTask,
    FrameTask,
    OutputTask,
    ProbeTask,
    StackTask,
    TaskSpec,
)
from coldframe.stacking import band_rows
from coldframe.step import FrameStep, StackStep, Step, Takes

BASE = 448 << 20
"""Bytes of a process before it holds a frame: Python, libraries, compiled code, with the memory
that compiling takes the first time."""

READ = 16
"""Bytes per pixel and colour that reading a source frame takes, decoded pixels and flags included."""

LOOKING = 128 << 20
"""Bytes that the inspection takes for each frame it looks at, however small."""

REPORT = 15
"""Bytes per pixel and colour of a product that making the report's pictures takes."""

PROBE, PROBES = 60, {"thumb": 10}
"""Bytes per pixel (y, x) that looking at products to judge the run takes, by probe."""

UNKNOWN = (4000, 6000)
"""Taken for the size of a frame that nobody knows."""

FEWEST_ROWS = 64
"""A band is not cut smaller than this for the sake of many workers: its halo would cost more."""

NUMBERS = 400_000
"""Bytes in the store of what a survey or a measurement finds in one frame, at most."""


@dataclass(frozen=True, slots=True)
class Size:
    """Of a frame as it is in the store. mosaic : a CFA mosaic. raw : uint16 still."""

    height: int
    width: int
    colour: bool = False
    mosaic: bool = False
    raw: bool = False
    planes: float = 0.0

    @property
    def pixels(self) -> int:
        """(y, x)."""
        return self.height * self.width

    @property
    def colours(self) -> int:
        """1 or 3."""
        return 3 if self.colour else 1

    @property
    def held(self) -> int:
        """Bytes of data and flags in memory."""
        return self.pixels * (self.colours * (2 if self.raw else 4) + 1)

    @property
    def stored(self) -> int:
        """Bytes of the product's file."""
        return self.held + int(self.pixels * self.colours * self.planes) + 30_000

    def taken(self, takes: Takes) -> int:
        """Bytes that a step takes for such a frame."""
        kind = takes.colour if self.colour else (takes.mosaic if self.mosaic else takes.mono)
        return int(self.pixels * kind) + takes.always


class Footprint:
    """Looks up sizes and needs of a plan's tasks."""

    def __init__(self, plan: Plan, registry: Registry) -> None:
        self._plan, self._registry = plan, registry
        self._sizes: dict[str, Size] = {}

    def size(self, key: str) -> Size:
        """Of the frame under a key, of the plan or borrowed."""
        if key not in self._sizes:
            self._sizes[key] = self._size(key)
        return self._sizes[key]

    def _size(self, key: str) -> Size:
        spec = self._plan.tasks[key][0] if key in self._plan.tasks else None
        match spec:
            case FrameTask():
                size = self.size(spec.base) if spec.base else source_size(spec.source)
                for op in spec.ops:
                    size = self._after(size, self._step(op.call.use))
                return size
            case StackTask():
                first = self.size(self._members(spec.decision)[0])
                takes = self._step(spec.call.use).takes
                # A stack that only judges the run is kept without its planes.
                return replace(first, raw=False, planes=takes.planes if spec.trial is None else 0)
            case BlendTask():
                return replace(self.size(spec.cold), planes=4)
        borrowed = self._plan.borrowed.get(key)
        return replace(
            source_size(borrowed.info if borrowed else FrameInfo()), raw=False, planes=20
        )

    def _after(self, size: Size, step: type[Step]) -> Size:
        colour = size.mosaic and issubclass(step, FrameStep) and step.makes_colour
        return replace(
            size,
            raw=False,
            colour=size.colour or colour,
            mosaic=size.mosaic and not colour,
            planes=0.0 if colour else size.planes,
        )

    def _step(self, name: str) -> type[Step]:
        return self._registry.step(name)

    def _writer(self, spec: OutputTask) -> Takes:
        takes: Takes = getattr(self._registry.writers[spec.writer], "takes", Takes())
        return takes

    def output_bytes(self, spec: OutputTask) -> int:
        """Bytes of a file written for people."""
        size = self.size(spec.product)
        return int(size.pixels * size.colours * self._writer(spec).planes)

    def _members(self, decision: str) -> list[str]:
        spec = self._plan.tasks[decision][0]
        assert isinstance(spec, DecideTask)
        return [key for key, _, _ in spec.members]

    # -- memory --------------------------------------------------------------------------------

    def need(self, spec: TaskSpec) -> Need:
        """The memory that a task takes."""
        match spec:
            case FrameTask():
                return self._frame_need(spec)
            case BandTask():
                members = self._members(spec.decision)
                size = self.size(members[0])
                y0, y1 = band_rows(size.height, 0, spec.parts)
                step = self._step(spec.call.use)
                assert issubclass(step, StackStep)
                halo = step().halo_rows(spec.call.params)
                return Need(band_bytes(step, size, len(members), y1 - y0 + 1, halo))
            case StackTask():
                size = self.size(spec.key)
                return Need(size.held + size.taken(self._step(spec.call.use).takes))
            case OutputTask():
                size = self.size(spec.product)
                return Need(size.held + size.taken(self._writer(spec)))
            case ProbeTask():
                frames = [
                    self.size(key)
                    for keys in spec.keys.values()
                    for key in keys
                    if self._is_frame(key)
                ]
                frames += [source_size(info) for info, _ in spec.sources]
                each = PROBES.get(spec.probe, PROBE)
                return Need(int(max((s.pixels * each for s in frames), default=0)))
            case BlendTask():
                return Need(7 * self.size(spec.cold).held)
        return Need()

    def _is_frame(self, key: str) -> bool:
        spec = self._plan.tasks[key][0] if key in self._plan.tasks else None
        return not isinstance(spec, DecideTask)

    def _frame_need(self, spec: FrameTask) -> Need:
        size = self.size(spec.base) if spec.base else source_size(spec.source)
        most = size.held if spec.base else size.pixels * size.colours * READ
        masters: dict[str, int] = {}
        for op in spec.ops:
            # The whole numbers that were read stay while the first step works on their float32.
            given = size.held + (size.pixels * size.colours * 4 if size.raw else 0)
            step = self._step(op.call.use)
            most = max(most, given + size.taken(step.takes))
            size = self._after(size, step)
            for key in op.masters.values():
                masters[f"{spec.store}/{key}"] = self.size(key).held
        for look in spec.looks:
            given = size.held + (size.pixels * size.colours * 4 if size.raw else 0)
            takes = self._step(look.call.use).takes
            most = max(most, given + int(size.pixels * takes.look) + takes.always)
        return Need(most, masters)


def source_size(info: FrameInfo) -> Size:
    """Of a source frame."""
    height, width = info.shape or UNKNOWN
    return Size(height, width, mosaic=bool(info.cfa), raw=True)


def band_bytes(step: type[StackStep], size: Size, count: int, rows: int, halo: int) -> int:
    """Memory of one band of `rows` rows: all frames' rows and those beyond the cut, and planes."""
    takes = step.takes
    seen = min(size.height, rows + 2 * halo) * size.width
    planes = rows * size.width * size.colours * (5 + takes.planes)
    return int(seen * (count * (5 + takes.sample) + takes.tile) + 2 * planes) + takes.always


def bands(step: type[StackStep], size: Size, count: int, halo: int, resources: Resources) -> int:
    """How many bands a stack is cut into, so that as many as there are workers fit in memory.

    With little memory and many workers bands are not cut ever smaller: fewer run at a time.
    """

    def fitting(room: float) -> int:
        low, high = 0, size.height
        while low < high:
            middle = (low + high + 1) // 2
            fits = band_bytes(step, size, count, middle + 1, halo) <= room
            low, high = (middle, high) if fits else (low, middle - 1)
        return low

    own = BASE if resources.processes else 0
    room = max(0, resources.memory - BASE - own)
    rows = fitting((resources.memory - BASE) / resources.workers - own)
    if rows < FEWEST_ROWS:
        rows = max(rows, min(FEWEST_ROWS, fitting(room)))
    least = -(-size.height // max(1, rows))
    # A few bands a worker keep all busy to the end.
    return min(size.height, max(least, 2 * resources.workers))


def needs(
    plan: Plan, tasks: Mapping[str, tuple[TaskSpec, tuple[str, ...]]], registry: Registry
) -> dict[str, Need]:
    """The memory that each of these tasks takes, by key."""
    footprint = Footprint(plan, registry)
    found = {key: footprint.need(spec) for key, (spec, _) in tasks.items()}
    return found | {"report": _report(footprint, tasks)}


def fitting_reports(plan: Plan, registry: Registry, room: int) -> int:
    """How many products the report may look at side by side in so many bytes; at least one."""
    each = _report(Footprint(plan, registry), plan.tasks).total
    return max(1, room // max(1, each))


def _report(footprint: Footprint, tasks: Mapping[str, tuple[TaskSpec, tuple[str, ...]]]) -> Need:
    shown = [
        footprint.size(spec.product) for spec, _ in tasks.values() if isinstance(spec, OutputTask)
    ]
    return Need(max((size.pixels * size.colours * REPORT for size in shown), default=0))
