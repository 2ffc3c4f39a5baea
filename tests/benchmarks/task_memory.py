"""Memory that each kind of task takes, measured, beside what the plan says of it (Linux).

    python -m tests.benchmarks.task_memory NIGHT OUTPUT

Runs the night one task after the other, each watched by the mark that the kernel keeps of a
process's peak, which is set back before every task (proc(5), clear_refs 5). What one task takes is
that peak less what was resident before. Prints a table; exit code 1 when a task took more than was
planned and `SLACK` for what compiling and the interpreter itself add.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from coldframe import execute
from coldframe.budget import Need, budget
from coldframe.cli.options import make_request
from coldframe.memory import current_memory, peak_memory
from coldframe.plugins import find_plugins
from coldframe.session import prepare, run
from coldframe.specs import FrameTask, OutputTask, ProbeTask, TaskSpec
from coldframe.store import Ref

MIB = 1 << 20
SLACK = 48 * MIB


@dataclass
class Kind:
    """Tasks that do the same. planned, measured : bytes of that which came nearest to its plan or
    went furthest beyond it."""

    count: int = 0
    planned: int = 0
    measured: int = 0

    def add(self, planned: int, measured: int) -> None:
        """One more task."""
        self.count += 1
        if self.count == 1 or measured - planned > self.measured - self.planned:
            self.planned, self.measured = planned, measured


def measure(night: Path, output: Path, memory: int) -> dict[str, Kind]:
    """Run a night and tell what each kind of task took."""
    registry = find_plugins()
    request = make_request(
        (night,), None, (), output, None, workers=1, memory=memory, scheduler="sync",
        no_library=True,
    )  # fmt: skip
    prepared = prepare(request, registry)
    kinds: dict[str, Kind] = {}
    do = execute.run_task

    def watched(spec: TaskSpec, *inputs: Any) -> Ref:
        planned = _missing(prepared.needs, spec)
        before = current_memory()
        Path("/proc/self/clear_refs").write_text("5")
        ref = do(spec, *inputs)
        kinds.setdefault(_name(spec), Kind()).add(planned, peak_memory() - before)
        return ref

    execute.run_task = watched
    try:
        run(prepared, registry)
    finally:
        execute.run_task = do
    return kinds


def _missing(needs: Mapping[str, Need], spec: TaskSpec) -> int:
    """What is planned for a task besides the masters that are in memory already."""
    need = needs[spec.key]
    there = budget().resident()
    return need.own + sum(size for key, size in need.shared.items() if key not in there)


def _name(spec: TaskSpec) -> str:
    if isinstance(spec, OutputTask | ProbeTask):
        return f"{spec.step_id}: {getattr(spec, 'writer', '') or getattr(spec, 'probe', '')}"
    name = f"{spec.step_id}: {type(spec).__name__}"
    if isinstance(spec, FrameTask):
        name += " " + ", ".join([*(op.call.use for op in spec.ops)])
        name += " | " + ", ".join(look.call.use for look in spec.looks)
    return name


def main(night: str, output: str) -> None:
    """From the command line."""
    kinds = measure(Path(night), Path(output), 4 << 30)
    bad = 0
    for name, kind in kinds.items():
        over = kind.measured > kind.planned + SLACK
        bad += over
        print(
            f"{name:60} {kind.count:4} planned {kind.planned / MIB:7.0f} MiB, measured "
            f"{kind.measured / MIB:7.0f} MiB{'  TOO LITTLE PLANNED' if over else ''}"
        )
    sys.exit(bool(bad))


if __name__ == "__main__":
    main(*sys.argv[1:])
