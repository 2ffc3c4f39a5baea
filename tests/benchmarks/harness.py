"""Time our work against a peer's on the same input, in turns, after their results agree.

A module `bench_*.py` in this folder has

    cases(quick: bool) -> Iterable[Case]

and is found by its name. Make it a generator: a case's arrays are then freed before the next
one's are made. `quick` asks for small input: to see that it runs, not to quote.
"""

from __future__ import annotations

import gc
import importlib
import resource
import statistics
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

CORES = 2
"""Threads that ours may use, each on a part of its own, as the engine's workers do."""

BUDGET = 20.0
"""Seconds that the rounds of a case may take; at least FEWEST and at most MOST rounds."""

FEWEST, MOST = 3, 15


@dataclass(frozen=True)
class Case:
    """One piece of work, done by us and by a peer.

    name : short, unique; a person picks cases by any part of it.
    ours, peer : do the work and return its result. peer None: only the time counts.
    agree : given both results (or ours and None) raises AssertionError where they differ by more
        than allowed, and returns what was compared and to what tolerance.
    target : with a peer, how many times as fast as it ours shall be (0.5: may take twice as
        long); without one, the seconds that ours may take. 0: none was set, it is told for
        comparison.
    against : the peer in words, with its version where it has one.
    pixels : of output, to give ns/px; 0 where that makes no sense.
    rounds : how often at most; for work that is slow or that only the first time tells about.
    warm : whether both run once before their time counts (results that agree come from there).
    clock : of our result, the seconds to count in place of those it took.
    """

    name: str
    ours: Callable[[], Any]
    peer: Callable[[], Any] | None
    agree: Callable[[Any, Any], str]
    target: float
    against: str = ""
    pixels: int = 0
    rounds: int = MOST
    warm: bool = True
    clock: Callable[[Any], float] | None = None


@dataclass(frozen=True)
class Outcome:
    """What came of a case. Times in seconds of the wall clock, medians unless said otherwise.

    ratio : the peer's time over ours, median of the rounds; best : the same of the shortest times,
    which other work on the machine disturbs least; cpu : the same of processor seconds, median,
    where threads of ours count one by one.
    """

    name: str
    against: str
    agreed: str
    rounds: int
    seconds: float
    shortest: float
    peer_seconds: float | None
    ratio: float | None
    best: float | None
    cpu: float | None
    nanoseconds: float | None
    target: float
    met: bool


def banded(work: Callable[[int, int], Any], height: int, threads: int = CORES) -> list[Any]:
    """work(first row, past-last row) of as many bands as threads, at the same time."""
    cuts = [height * k // threads for k in range(threads + 1)]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(work, cuts[:-1], cuts[1:]))


def discover() -> list[str]:
    """The benchmark modules, by name."""
    return sorted(path.stem for path in Path(__file__).parent.glob("bench_*.py"))


def all_cases(quick: bool, modules: Sequence[str] = ()) -> Iterator[Case]:
    """The cases of all modules, or of these."""
    for stem in modules or discover():
        module = importlib.import_module(f"tests.benchmarks.{stem}")
        if hasattr(module, "cases"):  # others are programs of their own
            yield from module.cases(quick)


def chosen(cases: Iterable[Case], parts: Sequence[str]) -> Iterator[Case]:
    """The cases whose name holds any of the parts; all where there are none."""
    for case in cases:
        if not parts or any(part in case.name for part in parts):
            yield case


def run(case: Case, rounds: int | None = None) -> Outcome:
    """Check that the results agree, then take times in turns.

    Raises AssertionError where they do not.
    """
    agreed = ""
    if case.warm:
        agreed = _compare(case, case.ours(), case.peer() if case.peer else None)
    times: list[tuple[float, float]] = []
    peers: list[tuple[float, float]] = []
    stop = time.perf_counter() + BUDGET
    most = min(rounds or MOST, case.rounds)
    while len(times) < most and (len(times) < FEWEST or time.perf_counter() < stop):
        mine, result = _clock(case.ours)
        if case.clock is not None:
            mine = (case.clock(result), mine[1])
        times.append(mine)
        if case.peer is not None:
            theirs, other = _clock(case.peer)
            peers.append(theirs)
            if not agreed:
                agreed = _compare(case, result, other)
            del other
        elif not agreed:
            agreed = _compare(case, result, None)
        del result
        gc.collect()
    return _outcome(case, agreed, times, peers)


def _compare(case: Case, ours: Any, theirs: Any) -> str:
    said = case.agree(ours, theirs)
    assert said, f"{case.name}: agree() must say what it compared"
    return said


def _clock(call: Callable[[], Any]) -> tuple[tuple[float, float], Any]:
    """Wall and processor seconds of a call, and its result."""
    wall, cpu = time.perf_counter(), _processor()
    result = call()
    return (time.perf_counter() - wall, _processor() - cpu), result


def _processor() -> float:
    """Processor seconds of this process and of those that it has waited for."""
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime


def _outcome(
    case: Case, agreed: str, times: list[tuple[float, float]], peers: list[tuple[float, float]]
) -> Outcome:
    seconds = statistics.median(wall for wall, _ in times)
    shortest = min(wall for wall, _ in times)
    peer_seconds = ratio = best = cpu = None
    met = shortest <= case.target
    if peers:
        peer_seconds = statistics.median(wall for wall, _ in peers)
        ratio = statistics.median(b[0] / a[0] for a, b in zip(times, peers, strict=True))
        best = min(wall for wall, _ in peers) / shortest
        cpu = statistics.median(b[1] / max(a[1], 1e-9) for a, b in zip(times, peers, strict=True))
        met = max(ratio, best) >= case.target
    return Outcome(
        name=case.name,
        against=case.against,
        agreed=agreed,
        rounds=len(times),
        seconds=seconds,
        shortest=shortest,
        peer_seconds=peer_seconds,
        ratio=ratio,
        best=best,
        cpu=cpu,
        nanoseconds=seconds / case.pixels * 1e9 if case.pixels else None,
        target=case.target,
        met=met,
    )
