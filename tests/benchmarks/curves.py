"""What work costs, against its size, as pictures: `python -m tests.benchmarks.curves [FOLDER]`.

Kernels are timed in processor time on one thread, and by the clock where threads are counted. Whole
jobs run in processes of their own, on nights made up for them; the most memory a process took is
what the system tells of it.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray
from tests.benchmarks.bench_reject import DEFAULTS, clipped
from tests.benchmarks.bench_stars import field
from tests.benchmarks.bench_start import PROGRAM
from tests.benchmarks.harness import banded

from coldframe.frame import Frame, FrameInfo
from coldframe_steps.combine.rejection import rule_of
from coldframe_steps.kernels.stack import reduce_tile
from coldframe_steps.kernels.warp import warp
from coldframe_steps.register.stars import find_stars

Curve = tuple[str, Sequence[float], Sequence[float]]
ROUNDS = 5
LIMIT = "1GiB"
RULES = ("none", "sigma-clip", "winsorised-sigma-clip", "mad-clip", "generalised-esd")


def shortest(call: Callable[[], Any], clock: Callable[[], float] = time.thread_time) -> float:
    """Least seconds of a few calls, after one that does not count."""
    call()
    times = []
    for _ in range(ROUNDS):
        start = clock()
        call()
        times.append(clock() - start)
    return min(times)


def sky(frames: int, shape: tuple[int, int]) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """Frames of noise with outliers in 0.2% of the samples, and no flags."""
    rng = np.random.default_rng(frames)
    data = rng.normal(1000, 20, (frames, *shape)).astype(np.float32)
    hit = np.flatnonzero(rng.random(data.size, dtype=np.float32) < 0.002)
    data.ravel()[hit] += rng.exponential(2000, hit.size).astype(np.float32)
    return data, np.zeros(data.shape, np.uint8)


def by_frames() -> list[Curve]:
    """Nanoseconds a pixel of stacking, against the number of frames."""
    counts = [3, 5, 10, 20, 30, 50, 100, 200, 400]
    found: dict[str, list[float]] = {}
    for n in counts:
        data, flags = sky(n, (60, 2000))
        calls: dict[str, Callable[[], Any]] = {
            rule: partial(reduce_tile, data, flags, rule=rule_of({**DEFAULTS, "reject": rule}))
            for rule in RULES
        }
        calls["astropy sigma_clip + mean"] = partial(clipped, data)
        for name, call in calls.items():
            found.setdefault(name, []).append(shortest(call) / data[0].size * 1e9)
    return [(name, counts, values) for name, values in found.items()]


def by_pixels() -> list[Curve]:
    """Seconds of three steps, against megapixels."""
    sizes = [0.25, 0.5, 1, 2, 4, 8]
    found: dict[str, list[float]] = {}
    turn = np.deg2rad(0.5)
    matrix = np.array(
        [[np.cos(turn), -np.sin(turn), 3], [np.sin(turn), np.cos(turn), -2], [0, 0, 1]]
    )
    for size in sizes:
        shape = (int((size * 1e6 / 1.5) ** 0.5), int((size * 1e6 * 1.5) ** 0.5))
        data, flags = sky(10, shape)
        image = field(shape, int(200 * size))
        frame = Frame(image, flags[0], FrameInfo())
        how = matrix, np.zeros((2, 0)), np.array([0.0, 0, 1]), shape, "lanczos3", True
        calls = {
            "stack 10 frames, sigma clip": partial(
                reduce_tile, data, flags, rule=rule_of({**DEFAULTS, "reject": "sigma-clip"})
            ),
            "resample one frame, Lanczos-3": partial(warp, image, flags[0], *how),
            "find 200 stars a megapixel": partial(find_stars, frame),
        }
        for name, call in calls.items():
            found.setdefault(name, []).append(shortest(call))
    return [(name, sizes, values) for name, values in found.items()]


def by_stars() -> list[Curve]:
    """Seconds of finding and measuring stars on 6 megapixels, against their number."""
    counts = [10, 100, 300, 1000, 3000, 5000, 10000]
    flags = np.zeros((2000, 3000), np.uint8)
    values = []
    for count in counts:
        frame = Frame(field(flags.shape, count), flags, FrameInfo())
        values.append(shortest(partial(find_stars, frame, max_stars=count)))
    return [("find and measure stars, 6 Mpx", counts, values)]


def by_cores() -> list[Curve]:
    """How many times as fast stacking in bands gets with more threads."""
    data, flags = sky(30, (800, 1500))
    bands = [(data[:, k : k + 50].copy(), flags[:, k : k + 50].copy()) for k in range(0, 800, 50)]
    threads = range(1, (os.cpu_count() or 1) + 1)
    curves: list[Curve] = []
    for name in ("none", "sigma-clip", "winsorised-sigma-clip"):
        rule = rule_of({**DEFAULTS, "reject": name})

        def work(first: int, last: int, rule: Any = rule) -> None:
            for band in bands[first:last]:
                reduce_tile(*band, rule=rule)

        times = [shortest(partial(banded, work, 16, k), time.perf_counter) for k in threads]
        curves.append((name, list(threads), [times[0] / t for t in times]))
    return [*curves, ("ideal", list(threads), list(threads))]


def make_lights(folder: Path, count: int, megapixels: float) -> None:
    """A night of lights of one field, a little apart, as FITS files."""
    rng = np.random.default_rng(1)
    shape = (int((megapixels * 1e6 / 1.5) ** 0.5), int((megapixels * 1e6 * 1.5) ** 0.5))
    stars = field((shape[0] + 40, shape[1] + 40), int(100 + 50 * megapixels)) - 500
    folder.mkdir()
    for k in range(count):
        y, x = rng.integers(0, 40, 2)
        image = stars[y : y + shape[0], x : x + shape[1]] + rng.normal(500, 20, shape)
        cards = {"IMAGETYP": "LIGHT", "EXPTIME": 60.0, "OBJECT": "Field", "INSTRUME": "Invented"}
        header = fits.Header(cards)
        header["DATE-OBS"] = f"2026-01-01T{k // 60:02d}:{k % 60:02d}:00"
        pixels = np.clip(np.rint(image), 0, 65535).astype(np.uint16)
        fits.PrimaryHDU(pixels, header).writeto(folder / f"light-{k:03d}.fits")


def job(count: int, megapixels: float) -> tuple[float, float]:
    """Seconds, and most mebibytes in memory, of registering and stacking so many lights."""
    words = ["--recipe", "quick-look", "--no-inspect", "--no-library", "--workers", "2"]
    words += ["--memory", LIMIT]
    with tempfile.TemporaryDirectory() as place:
        night, out = Path(place) / "night", Path(place) / "out"
        make_lights(night, count, megapixels)
        run = [sys.executable, "-c", PROGRAM, "run", str(night), "-o", str(out), *words]
        start = time.perf_counter()
        process = subprocess.Popen(run, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        assert process.stderr is not None
        said = process.stderr.read().decode()
        _, status, usage = os.wait4(process.pid, 0)
        seconds = time.perf_counter() - start
        if status:
            raise SystemExit(f"a run failed: {said}")
        return seconds, usage.ru_maxrss / 1024


def jobs() -> tuple[list[Curve], list[Curve], list[Curve]]:
    """Time and memory against lights, and memory against pixels."""
    job(3, 0.1)  # compiles
    counts, sizes = [5, 10, 20, 40], [0.5, 1, 2, 4, 8]
    done = [job(count, 2) for count in counts]
    seconds, most = zip(*done, strict=True)
    largest = [job(10, size)[1] for size in sizes]
    name = f"--memory {LIMIT}"
    return [(name, counts, seconds)], [(name, counts, most)], [(name, sizes, largest)]


def draw(panels: Sequence[tuple[str, str, str, bool, list[Curve]]], path: Path) -> None:
    """Panels (title, x, y, logarithmic, curves) side by side, two in a row."""
    from matplotlib.figure import Figure

    rows = (len(panels) + 1) // 2
    figure = Figure(figsize=(10, 4 * rows), layout="constrained")
    for place, (title, x, y, logarithmic, curves) in enumerate(panels, start=1):
        axes = figure.add_subplot(rows, 2, place)
        for name, at, values in curves:
            axes.plot(at, values, "--o" if name == "ideal" else "-o", ms=4, label=name)
        axes.set(title=title, xlabel=x, ylabel=y)
        if logarithmic:
            axes.set(xscale="log", yscale="log")
            axes.set_xticks(curves[0][1], [f"{x:g}" for x in curves[0][1]])
            axes.minorticks_off()
        else:
            axes.set_ylim(bottom=0)
        axes.grid(alpha=0.3)
        axes.legend(fontsize=8)
    figure.savefig(path, dpi=80)
    print(path)


def main() -> None:
    """Draw both pictures into a folder."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.curves", description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path, default=Path("docs/images"))
    parser.add_argument("--only", choices=["kernels", "jobs"])
    args = parser.parse_args()
    if args.only != "jobs":
        kernels = [
            ("Stacking against frames", "frames", "ns/px", True, by_frames()),
            ("Steps against pixels", "megapixels", "processor seconds", True, by_pixels()),
            ("Stars", "stars", "processor seconds", True, by_stars()),
            ("Stacking 30 frames against threads", "threads", "times as fast", False, by_cores()),
        ]
        draw(kernels, args.folder / "cost-kernels.png")
    if args.only != "kernels":
        times, by_count, by_size = jobs()
        panels = [
            ("Whole job, lights of 2 Mpx", "lights", "seconds", False, times),
            ("Peak memory, lights of 2 Mpx", "lights", "MiB", False, by_count),
            ("Peak memory, 10 lights", "megapixels", "MiB", False, by_size),
        ]
        draw(panels, args.folder / "cost-job.png")


if __name__ == "__main__":
    main()
