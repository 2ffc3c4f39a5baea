"""Rejecting and averaging a stack: time against astropy.stats.sigma_clip and its mean.

    python -m tests.benchmarks.bench_reject [--frames 10 30 100] [--repeat 7] [--threads 1]

Both do the same to the same float32 samples: sigma clip (median, standard deviation) at 3 sigma
until nothing more goes, then the mean of the accepted samples. They take turns, so that whatever
else the machine does hits both; medians are printed. The counts of accepted samples are compared
before any time is taken. The other rules have no counterpart and are timed alone.

Ours also gives variance, counts and flags, and reads a flag plane. astropy's runs on one thread;
with --threads ours cuts the rows among threads, as the engine does, and that is said.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from astropy.stats import sigma_clip
from numpy.typing import NDArray

from coldframe_steps.combine.rejection import RULES, rule_of
from coldframe_steps.kernels.options import Rule
from coldframe_steps.kernels.stack import reduce_tile

OPTIONS = {
    "low": 3.0,
    "high": 3.0,
    "iterations": 0,
    "lowest": 1,
    "highest": 1,
    "alpha": 0.05,
    "max_outliers": 0.3,
}


def ours(data: NDArray[np.float32], flags: NDArray[np.uint8], rule: Rule, threads: int) -> int:
    """Reduce in bands of rows; returns the number of accepted samples."""
    cuts = np.linspace(0, data.shape[1], threads + 1).astype(int)

    def band(k: int) -> int:
        part = np.s_[:, cuts[k] : cuts[k + 1]]
        return int(reduce_tile(data[part], flags[part], rule=rule)["count"].sum())

    with ThreadPoolExecutor(threads) as pool:
        return sum(pool.map(band, range(threads)))


def theirs(data: NDArray[np.float32]) -> int:
    clipped = sigma_clip(data, sigma=3, maxiters=None, cenfunc="median", stdfunc="std", axis=0)
    clipped.mean(axis=0)
    return int((~clipped.mask).sum())


def seconds(work: Callable[[], int]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def compare(n: int, repeat: int, threads: int) -> None:
    """Time one number of frames and print a line for each rule."""
    shape = (n, max(40, 12_000 // n), 500)
    rng = np.random.default_rng(n)
    data = rng.normal(1000, 20, shape).astype(np.float32)
    hit = rng.random(shape) < 0.002
    data[hit] += rng.exponential(2000, int(hit.sum())).astype(np.float32)
    flags = np.zeros(shape, np.uint8)
    rules = {name: rule_of({**OPTIONS, "reject": name}) for name in RULES}

    def run(name: str) -> float:
        return seconds(lambda: ours(data, flags, rules[name], threads))

    if ours(data, flags, rules["sigma-clip"], threads) != theirs(data):
        raise SystemExit("the two accept different samples: times would not compare")
    pairs = [(run("sigma-clip"), seconds(lambda: theirs(data))) for _ in range(repeat)]
    pixels = shape[1] * shape[2]
    mine, other = (statistics.median(pair[k] for pair in pairs) / pixels * 1e9 for k in (0, 1))
    ratio = statistics.median(b / a for a, b in pairs)
    print(f"{n} frames x {pixels} px, {threads} thread(s): sigma-clip {mine:.0f} ns/px,", end=" ")
    print(f"astropy {other:.0f} ns/px, ratio {ratio:.1f}")
    for name in RULES:
        run(name)
        middle = statistics.median(run(name) for _ in range(repeat)) / pixels * 1e9
        print(f"    {name}: {middle:.0f} ns/px")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--frames", type=int, nargs="+", default=[10, 30, 100])
    parser.add_argument("--repeat", type=int, default=7)
    parser.add_argument("--threads", type=int, default=1)
    args = parser.parse_args()
    for n in args.frames:
        compare(n, args.repeat, args.threads)


if __name__ == "__main__":
    main()
