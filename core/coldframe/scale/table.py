"""Predicted times for many numbers of frames and workers, as a table and a picture."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from coldframe.errors import UsageError
from coldframe.plugins import Registry
from coldframe.recipe import Recipe
from coldframe.scale.costs import job_of
from coldframe.scale.measure import planned
from coldframe.scale.simulate import WAITS, Machine, Outcome, simulate

BEGIN, END = "<!-- table: begin -->", "<!-- table: end -->"


@dataclass(frozen=True, slots=True)
class Case:
    """One prediction. disk : bytes per second. planning : seconds that the plan took here.
    alone : of one worker, s."""

    disk: float
    frames: int
    workers: int
    tasks: int
    planning: float
    outcome: Outcome
    alone: float

    @property
    def speedup(self) -> float:
        """How many times quicker than one worker."""
        return self.alone / self.outcome.seconds if self.outcome.seconds else 1.0


def predict(
    recipe: Recipe,
    registry: Registry,
    rates: Mapping[str, float],
    frames: Sequence[int],
    workers: Sequence[int],
    *,
    overhead: float,
    disks: Sequence[float],
    watch: Callable[[int, int], None] = lambda _frames, _workers: None,
) -> list[Case]:
    """Plan an invented season of each size and play it through with each number of workers.

    rates : seconds of one core per megapixel and frame. overhead : of the scheduler, s a task.
    disks : bytes per second of each store. watch : called with (frames, workers) before each.
    """
    out: list[Case] = []
    alone = 0.0
    for count in frames:
        plan, planning = planned(recipe, registry, count, Path("/nowhere"))
        job = job_of(plan, rates)
        tasks = len(plan.tasks)
        del plan
        for disk, number in itertools.product(disks, sorted({1, *workers})):
            watch(count, number)
            outcome = simulate(job, Machine(number, overhead, disk, planning))
            alone = outcome.seconds if number == 1 else alone
            if number in workers:
                out.append(Case(disk, count, number, tasks, planning, outcome, alone))
    return out


def markdown(cases: Sequence[Case]) -> str:
    """A table for each disk, with a row for each number of frames and a column for each of workers.

    Each cell: the time, how many times quicker than one worker, and what is the limit. A table of
    what each limit alone would take follows, for the most workers.
    """
    parts = []
    for disk in sorted({case.disk for case in cases}):
        here = [case for case in cases if case.disk == disk]
        parts += [f"With a store that moves {speed(disk)}:", _rows(here), limits(here)]
    return "\n\n".join(parts)


def limits(cases: Sequence[Case]) -> str:
    """What each limit alone would take with the most workers, the greatest in bold; for one disk."""
    most = max(case.workers for case in cases)
    rows = [["frames", *WAITS], ["---:"] * (1 + len(WAITS))]
    for case in sorted(cases, key=lambda c: c.frames):
        if case.workers == most:
            times = {name: duration(case.outcome.bounds[name]) for name in WAITS}
            times[case.outcome.limit] = f"**{times[case.outcome.limit]}**"
            rows.append([f"{case.frames:,}", *times.values()])
    who = f"{most:,} workers" if most > 1 else "1 worker"
    return f"What each limit alone would take there with {who}:\n\n{_lines_of(rows)}"


def speed(disk: float) -> str:
    """Such as 500 MB/s, 10 GB/s."""
    return f"{disk / 1e9:g} GB/s" if disk >= 1e9 else f"{disk / 1e6:.0f} MB/s"


def _rows(cases: Sequence[Case]) -> str:
    workers = sorted({case.workers for case in cases})
    by_place = {(case.frames, case.workers): case for case in cases}
    rows = [
        [
            "frames",
            "tasks",
            "planning",
            *(f"{n:,} workers" if n > 1 else "1 worker" for n in workers),
        ]
    ]
    rows.append(["---:"] * len(rows[0]))
    for count in sorted({case.frames for case in cases}):
        first = by_place[count, workers[0]]
        cells = []
        for number in workers:
            case = by_place[count, number]
            limit = "" if case.outcome.limit == "workers" else f" ({case.outcome.limit})"
            cells.append(f"{duration(case.outcome.seconds)}, {case.speedup:.3g}×{limit}")
        rows.append([f"{count:,}", f"{first.tasks:,}", duration(first.planning), *cells])
    return _lines_of(rows)


def _lines_of(rows: Sequence[Sequence[str]]) -> str:
    return "\n".join("| " + " | ".join(row) + " |" for row in rows)


def duration(seconds: float) -> str:
    """Such as 0.4 s, 12 s, 3.4 min, 5.1 h, 2.3 d."""
    for unit, size, least in (("d", 86400, 2), ("h", 3600, 1.5), ("min", 60, 2)):
        if seconds >= least * size:
            return f"{seconds / size:.1f} {unit}"
    return f"{seconds:.1f} s" if seconds < 10 else f"{seconds:.0f} s"


def put_into(page: Path, text: str) -> None:
    """Replace what stands between the marks of a page.

    Raises UsageError when the page cannot be read or has no marks.
    """
    try:
        whole = page.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"cannot read {page}: {error}") from None
    before, begun, rest = whole.partition(BEGIN)
    _, ended, after = rest.partition(END)
    if not (begun and ended):
        raise UsageError(
            f"{page} has no lines '{BEGIN}' and '{END}' for the table to stand between"
        )
    page.write_text(f"{before}{BEGIN}\n\n{text}\n\n{END}{after}", encoding="utf-8")


def draw(cases: Sequence[Case], path: Path) -> None:
    """Time against workers, a line for each number of frames, a mark for what is the limit."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    disks = sorted({case.disk for case in cases})
    figure = Figure(figsize=(9, 4 * len(disks)), layout="constrained")
    FigureCanvasAgg(figure)
    for place, disk in enumerate(disks):
        axes = figure.add_subplot(len(disks), 1, place + 1)
        axes.set_title(f"a store that moves {speed(disk)}")
        _lines(axes, [case for case in cases if case.disk == disk])
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, dpi=90, metadata={"Software": None})


def _lines(axes: Any, cases: Sequence[Case]) -> None:
    marks = dict(zip(WAITS, "sP^oD", strict=True))
    seen: set[str] = set()
    for number, count in enumerate(sorted({case.frames for case in cases}, reverse=True)):
        line = [case for case in cases if case.frames == count]
        x, y = [case.workers for case in line], [case.outcome.seconds / 3600 for case in line]
        axes.plot(x, y, "-", color=f"C{number}", label=f"{count:,} frames")
        for case, at, height in zip(line, x, y, strict=True):
            axes.plot(at, height, marks[case.outcome.limit], color=f"C{number}", markersize=6)
            seen.add(case.outcome.limit)
    for name in WAITS:
        if name in seen:
            axes.plot([], [], marks[name], color="0.4", label=f"limit: {WAITS[name]}")
    axes.set(xscale="log", yscale="log", xlabel="workers", ylabel="hours")
    axes.grid(alpha=0.3)
    axes.legend(fontsize="small", loc="upper left", bbox_to_anchor=(1.01, 1.0))
