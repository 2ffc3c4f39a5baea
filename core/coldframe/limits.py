"""Whether a run fits into the memory it may use, and how many of its tasks may run at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from coldframe.budget import Need
from coldframe.errors import UsageError
from coldframe.footprint import BASE, LOOKING, READ, source_size
from coldframe.frame import FrameInfo
from coldframe.memory import bytes_text
from coldframe.planned import Resources
from coldframe.tidy import Tasks


def least_memory(needs: Iterable[Need], resources: Resources) -> int:
    """The limit under which every task still fits, alone."""
    largest = max((need.total for need in needs), default=0)
    return BASE + largest + (BASE if resources.processes else 0)


def fitting_workers(needs: Iterable[Need], resources: Resources) -> int:
    """How many workers there may be. Threads wait for memory by themselves; processes cannot."""
    if not resources.processes:
        return resources.workers
    each = BASE + max((need.total for need in needs), default=0)
    return max(1, min(resources.workers, (resources.memory - BASE) // each))


def expected_memory(needs: Iterable[Need], resources: Resources) -> int:
    """What a run will take: the largest tasks that run side by side, within the limit."""
    largest = sorted(needs, key=lambda need: need.total)[-resources.workers :]
    masters: dict[str, int] = {}
    for need in largest:
        masters |= need.shared
    total = BASE + sum(need.own for need in largest) + sum(masters.values())
    if resources.processes:
        return BASE + sum(
            BASE + need.total for need in largest[-fitting_workers(largest, resources) :]
        )
    return min(total, max(resources.memory, least_memory(largest, resources)))


def fitting_readers(infos: Iterable[FrameInfo], resources: Resources) -> int:
    """How many source frames may be looked at side by side before the run."""
    most = LOOKING + max((source_size(info).pixels * READ for info in infos), default=0)
    return max(1, min(resources.workers, (resources.memory - BASE) // most))


def check_memory(needs: Mapping[str, Need], tasks: Tasks, resources: Resources) -> None:
    """Raise UsageError, with the least limit that would do, when some task cannot fit."""
    least = least_memory(needs.values(), resources)
    if least <= resources.memory:
        return
    key = max(needs, key=lambda k: needs[k].total)
    step = f"step '{tasks[key][0].step_id}'" if key in tasks else "the report"
    hint = " (--scheduler threads needs less)" if resources.processes else ""
    raise UsageError(
        f"--memory {bytes_text(resources.memory)} is too little for frames of this size: {step} "
        f"alone takes {bytes_text(needs[key].total)} beside the program. Give --memory "
        f"{-(-least // (1 << 20))}MiB or more{hint}"
    )
