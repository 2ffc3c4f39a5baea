"""Seeded faults against a tiny night on the real steps: what is lost, what is wrong, what it costs.

    python tests/core/faultsim.py --faults 300 --seed 1

Each fault disturbs one run in a process of its own; then the same run is begun again. The second
must end with the bytes of an undisturbed run and must leave alone every product that was whole.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import logging
import os
import random
import resource
import shutil
import signal
import statistics
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from astropy.io import fits

from coldframe import execute
from coldframe.decoded import decoded
from coldframe.errors import ColdframeError
from coldframe.execute import run_plan
from coldframe.plugins import find_plugins
from coldframe.prepared import Request
from coldframe.recovery import intact
from coldframe.session import prepare
from coldframe.store import Store
from coldframe.tidy import Tidy

RECIPE = """\
recipe: 1
name: small
about: darks, flats and lights of a small camera
inputs: {lights: {kind: light}, darks: {kind: dark}, flats: {kind: flat}}
steps:
  dark: {use: combine, from: darks, per: [exposure]}
  flat: {use: combine, from: flats, per: [filter]}
  clean: {use: calibrate, from: lights, masters: [dark, flat]}
  stack: {use: combine, from: clean, per: [target]}
outputs: {stack: {fits: {}}}
"""
TASKS = 24  # of a whole run, about
SAFE_USER = 65534  # nobody


def make_night(folder: Path, shape: tuple[int, int] = (40, 56), seed: int = 7) -> None:
    """A few FITS frames of an invented camera, and the recipe."""
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True)
    y, x = np.mgrid[: shape[0], : shape[1]]
    for kind, level, count in (("dark", 100, 3), ("flat", 20000, 3), ("light", 600, 5)):
        for number in range(count):
            data = rng.normal(level, level**0.5, shape)
            if kind == "light":
                for at_x, at_y, peak in ((10, 12, 3000), (40, 30, 2000), (48, 9, 4000)):
                    data += peak * np.exp(-((x - at_x) ** 2 + (y - at_y) ** 2) / 4)
            hdu = fits.PrimaryHDU(np.clip(data, 0, 65535).astype(np.uint16))
            cards = {"IMAGETYP": kind, "EXPTIME": 1.0 if kind == "flat" else 60.0, "FILTER": "R"}
            cards |= {"INSTRUME": "Alder 1", "CCD-TEMP": -10.0}
            if kind == "light":
                cards["OBJECT"] = "Lantern"
            hdu.header.update(cards)
            hdu.writeto(folder / f"{kind}-{number}.fits")
    (folder / "small.yaml").write_text(RECIPE)


@dataclass
class Outcome:
    """What one fault did."""

    seed: int
    kind: str
    told: str  # how the disturbed run ended
    lost: list[str] = field(default_factory=list)  # products missing at the end
    wrong: list[str] = field(default_factory=list)  # products that differ, work done twice
    seconds: float = 0.0  # of both runs together


class Bench:
    """The night, an undisturbed run of it, and a folder for the disturbed ones."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.chmod(0o755)
        self.night = folder / "night"
        make_night(self.night)
        self.registry = find_plugins()
        self.said: list[str] = []  # by runs in this process
        # Once here, so that every child starts with all that is compiled and imported.
        self.execute(folder / "truth")
        self.products = _products(folder / "truth/store")
        (file,) = (folder / "truth").glob("*.fits")
        self.name, self.final = file.name, file.read_bytes()
        self.times: list[float] = []
        for _ in range(3):
            self.time_quiet()

    def time_quiet(self) -> None:
        """Measure an undisturbed run again: a machine is not always as quick."""
        out = self.folder / "quiet"
        self.times.append(self.child(out).seconds)
        shutil.rmtree(out)

    @property
    def quiet(self) -> float:
        """Seconds of an undisturbed run, the median of all measured."""
        return statistics.median(self.times)

    def request(self, out: Path, scheduler: str = "sync") -> Request:
        return Request(
            (self.night,), out, out / "store", recipe=str(self.night / "small.yaml"),
            scheduler=scheduler, workers=1, memory=1 << 30, use_library=False, inspect=False,
        )  # fmt: skip

    def execute(self, out: Path, scheduler: str = "sync") -> int:
        """The run itself; returns how many tasks were done."""
        prepared = prepare(self.request(out, scheduler), self.registry)
        out.mkdir(parents=True, exist_ok=True)
        tasks = dict(prepared.tasks)
        Tidy(prepared.plan, tasks, "all").begin(out)
        done = run_plan(prepared.plan, tasks, scheduler=scheduler, workers=2, say=self.said.append)
        decoded.keep(0)
        return len(done)

    def child(self, out: Path, disturb=None, scheduler: str = "sync", kill=None) -> Child:
        """The run in a forked process. disturb : called in it first. kill : (signal, seconds)."""
        reading, writing = os.pipe()
        started = time.perf_counter()
        pid = os.fork()
        if pid == 0:
            code = 0
            try:
                signal.signal(signal.SIGINT, signal.default_int_handler)
                if disturb is not None:
                    disturb()
                said = {"done": self.execute(out, scheduler)}
            except KeyboardInterrupt:
                # As at the end of a program: threads end with their task.
                for thread in threading.enumerate():
                    if thread is not threading.current_thread() and not thread.daemon:
                        thread.join()
                code, said = 130, {"error": "stopped"}
            except ColdframeError as error:
                code, said = 1, {"error": str(error)}
            except BaseException as error:
                code, said = 99, {"error": f"{type(error).__name__}: {error}"}
            os.write(writing, json.dumps(said).encode())
            os._exit(code)
        os.close(writing)
        if kill is not None:
            time.sleep(kill[1])
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, kill[0])
        with os.fdopen(reading, "rb") as pipe:
            said = json.loads(pipe.read() or b"{}")
        _, status = os.waitpid(pid, 0)
        seconds = time.perf_counter() - started
        return Child(os.waitstatus_to_exitcode(status), said, seconds)

    def try_fault(self, seed: int) -> Outcome:
        """One fault, chosen by its seed, and the run after it."""
        rng = random.Random(seed)
        kind = FAULTS[seed % len(FAULTS)]
        out = self.folder / f"case-{seed}"
        saved = {p: (p.read_bytes(), p.stat()) for p in self.night.glob("*.fits")}
        first = kind(self, out, rng)
        outcome = Outcome(
            seed, kind.__name__, f"{first.code} {first.said.get('error', '')}".strip()
        )
        for path, (content, stat) in saved.items():
            path.write_bytes(content)
            os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
        if first.code == 99 or first.wrong:
            outcome.wrong.append(first.wrong or first.said["error"])
        whole = self._whole(out / "store", outcome)
        second = self.child(out)
        if second.code != 0:
            outcome.lost.append(f"the second run failed: {second.said}")
        else:
            self._compare(out, whole, outcome)
        outcome.seconds = first.seconds + second.seconds
        shutil.rmtree(out)
        return outcome

    def _whole(self, store: Path, outcome: Outcome) -> dict[str, tuple[int, int]]:
        """Products that are good as they are: key -> inode and time of their files."""
        whole = {}
        for sidecar in store.glob("??/*.json"):
            if intact(sidecar):
                file = sidecar.with_suffix(".fits")
                content = file.read_bytes() if file.exists() else b""
                if content != self.products.get(sidecar.stem, content):
                    outcome.wrong.append(f"{sidecar.stem} was stored with other bytes")
                whole[sidecar.stem] = _place(sidecar)
        return whole

    def _compare(self, out: Path, whole: dict[str, tuple[int, int]], outcome: Outcome) -> None:
        found = _products(out / "store")
        for key, content in found.items():
            if key not in self.products:
                outcome.wrong.append(f"{key} was left behind")
            elif content != self.products[key]:
                outcome.wrong.append(f"{key} differs")
        final = out / self.name
        if not final.exists():
            outcome.lost.append("no stack")
        elif final.read_bytes() != self.final:
            outcome.wrong.append("the stack differs")
        for key, place in whole.items():
            sidecar = out / "store" / key[:2] / f"{key}.json"
            if key in found and _place(sidecar) != place:
                outcome.wrong.append(f"{key} was whole and was made again")
        left = [p.name for p in (out / "store").glob("[0-9a-f][0-9a-f]/.*.part")]
        left += [p.name for p in (out / "store/running").glob("*.json") if p.name[0] != "."]
        if left:
            outcome.wrong.append(f"left behind: {left}")


@dataclass
class Child:
    """How a run in a process of its own ended."""

    code: int  # minus the signal's number when killed
    said: dict
    seconds: float
    wrong: str = ""


def _products(store: Path) -> dict[str, bytes]:
    """Every product that counts as whole: key -> the bytes of its FITS file, if it has one."""
    out = {}
    for sidecar in store.glob("??/*.json"):
        ref = Store(store).get(sidecar.stem)
        if ref is not None and "changed" not in ref.measures:  # not a note of a file for people
            file = sidecar.with_suffix(".fits")
            out[sidecar.stem] = file.read_bytes() if file.exists() else b""
    return out


def _place(path: Path) -> tuple[int, int]:
    stat = path.stat()
    return stat.st_ino, stat.st_mtime_ns


def _at_task(number: int, act) -> None:
    """Do something when the run comes to its task of that number."""
    count = iter(range(1, 10_000))
    true_task = execute.run_task

    def run_task(spec, *inputs):
        if next(count) == number:
            act()
        return true_task(spec, *inputs)

    execute.run_task = run_task


def _die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


# -- the faults ------------------------------------------------------------------------------------


def killed_at_a_task(bench, out, rng):
    number = rng.randint(1, TASKS)
    return bench.child(out, lambda: _at_task(number, _die))


def killed_in_a_write(bench, out, rng):
    """Before a file has its name, after it, or with half of it on disk."""
    number, how = rng.randint(1, 2 * TASKS), rng.choice(("before", "after", "half"))

    def disturb():
        count, true_replace = iter(range(1, 10_000)), os.replace

        def replace(source, target, **more):
            if next(count) == number:
                if how == "half":
                    os.truncate(source, Path(source).stat().st_size // 2)
                if how == "after":
                    true_replace(source, target, **more)
                _die()
            true_replace(source, target, **more)

        os.replace = replace

    return bench.child(out, disturb)


def killed_at_a_moment(bench, out, rng):
    return bench.child(
        out, scheduler="threads", kill=(signal.SIGKILL, rng.uniform(0, 1.2 * bench.quiet))
    )


def interrupted(bench, out, rng):
    """Ctrl-C."""
    moment = rng.uniform(0.1, 1.0) * bench.quiet
    ended = bench.child(out, scheduler="threads", kill=(signal.SIGINT, moment))
    if ended.code not in (0, 130):
        ended.wrong = f"Ctrl-C ended with {ended.code}: {ended.said}"
    elif list((out / "store").rglob("*.part")) or list((out / "store").glob("running/*")):
        ended.wrong = "Ctrl-C left something behind"
    return ended


def power_cut(bench, out, rng):
    """The run is gone and its newest files are not as they were written."""
    number = rng.randint(4, TASKS + 1)
    ended = bench.child(out, lambda: _at_task(number, _die))
    files = [p for p in (out / "store").glob("??/*") if p.suffix in (".fits", ".json")]
    files.sort(key=lambda p: p.stat().st_mtime_ns)
    for path in files[-rng.randint(1, 8) :]:
        _damage(path, rng)
    return ended


def _damage(path, rng, kinds=("cut", "empty", "zeros", "garbage", "gone")):
    size, kind, stat = path.stat().st_size, rng.choice(kinds), path.stat()
    if kind == "cut":
        os.truncate(path, rng.randrange(size))
    elif kind == "empty":
        os.truncate(path, 0)
    elif kind == "zeros":
        start = rng.randrange(size)
        content = path.read_bytes()
        path.write_bytes(content[:start] + bytes(size - start))
    elif kind == "garbage":
        path.write_bytes(rng.randbytes(size))
    else:
        path.unlink()
        return
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))


def damaged_while_running(bench, out, rng):
    """Products cut short under the hands of a run: it makes them again by itself."""
    number = rng.randint(8, TASKS - 2)

    def act():
        files = sorted((out / "store").glob("??/*.fits"))
        for path in rng.sample(files, min(len(files), rng.randint(1, 3))):
            _damage(path, rng, ("cut", "empty", "gone"))

    ended = bench.child(out, lambda: _at_task(number, act))
    if ended.code != 0:
        ended.wrong = f"did not heal: {ended.said}"
    return ended


def _source_fault(bench, out, rng, act):
    """A source frame is touched at some task; the run must tell, unless it was read before."""
    number = rng.randint(1, 12)
    path = rng.choice(sorted(bench.night.glob("*.fits")))
    ended = bench.child(out, lambda: _at_task(number, lambda: act(path)))
    if ended.code not in (0, 1) or (ended.code == 1 and path.name not in ended.said["error"]):
        ended.wrong = f"ended with {ended.code}: {ended.said}"
    for sidecar in (out / "store").glob("??/*.json"):
        aside = json.loads(sidecar.read_text())["aside"]
        if aside and sidecar.stem not in bench.products:
            ended.wrong = f"a frame was set aside for a fault that passes: {aside}"
    return ended


def source_vanished(bench, out, rng):
    return _source_fault(bench, out, rng, lambda path: path.unlink())


def source_changed(bench, out, rng):
    how = rng.choice(("other", "cut", "longer"))

    def act(path):
        content = path.read_bytes()
        if how == "other":
            path.write_bytes(content[:2880] + rng.randbytes(len(content) - 2880))
        elif how == "cut":
            path.write_bytes(content[: len(content) // 2])
        else:
            path.write_bytes(content + bytes(2880))

    return _source_fault(bench, out, rng, act)


def source_changed_while_read(bench, out, rng):
    """The file is another before its reader has returned."""
    number = rng.randint(1, 11)
    touched = []

    def disturb():
        reader = next(r for r in bench.registry.readers if r.name == "fits")
        true_read, count = type(reader).read_frame, iter(range(1, 10_000))

        def read_frame(self, info):
            frame = true_read(self, info)
            if next(count) == number:
                touched.append(info.path)
                Path(info.path).write_bytes(Path(info.path).read_bytes() + bytes(2880))
            return frame

        type(reader).read_frame = read_frame

    ended = bench.child(out, disturb)
    if ended.code != 1 or "has changed since" not in ended.said["error"]:
        ended.wrong = f"ended with {ended.code}: {ended.said}"
    return ended


def disk_full(bench, out, rng):
    """No file may grow beyond a limit; the system refuses as it does on a full disk."""
    largest = max(map(len, bench.products.values()))
    limit = int(10 ** rng.uniform(2, np.log10(largest)))

    def disturb():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    ended = bench.child(out, disturb)
    if ended.code not in (0, 1) or (ended.code == 1 and "cannot write" not in ended.said["error"]):
        ended.wrong = f"ended with {ended.code}: {ended.said}"
    return ended


def store_read_only(bench, out, rng):
    """From some task on nothing can be written in the store."""
    number = rng.randint(1, TASKS - 2)

    def act():
        folders = [*(out / "store").glob("??"), out / "store", out]
        for folder in folders:
            folder.chmod(0o555)
        if os.geteuid() == 0:
            os.seteuid(SAFE_USER)

    ended = bench.child(out, lambda: _at_task(number, act))
    for folder in (out, out / "store", *(out / "store").glob("??")):
        folder.chmod(0o755)
    if ended.code != 1 or "cannot write" not in ended.said["error"]:
        ended.wrong = f"ended with {ended.code}: {ended.said}"
    return ended


FAULTS = (
    killed_at_a_task, killed_in_a_write, killed_at_a_moment, power_cut, interrupted,
    damaged_while_running, power_cut, source_vanished, source_changed, killed_in_a_write,
    source_changed_while_read, disk_full, store_read_only,
)  # fmt: skip


def report(bench: Bench, outcomes: list[Outcome]) -> str:
    """Faults by kind: how often something was lost or wrong, and the time that a fault cost."""
    out = [
        f"undisturbed run: {bench.quiet:.2f} s, {len(bench.products)} products",
        f"{'fault':<28}{'times':>6}{'lost':>6}{'wrong':>6}{'time lost, s (mean)':>22}",
    ]

    def line(name: str, some: list[Outcome]) -> str:
        lost, wrong = sum(bool(o.lost) for o in some), sum(bool(o.wrong) for o in some)
        mean = sum(o.seconds for o in some) / len(some) - bench.quiet
        return f"{name:<28}{len(some):>6}{lost:>6}{wrong:>6}{mean:>22.2f}"

    for kind in dict.fromkeys(o.kind for o in outcomes):
        out.append(line(kind.replace("_", " "), [o for o in outcomes if o.kind == kind]))
    lost, wrong = sum(bool(o.lost) for o in outcomes), sum(bool(o.wrong) for o in outcomes)
    total = sum(o.seconds for o in outcomes) - len(outcomes) * bench.quiet
    out.append(
        f"{len(outcomes)} faults: {lost} lost, {wrong} wrong, {total:.1f} s of time lost in all"
    )
    for o in outcomes:
        out += [f"seed {o.seed} ({o.kind}): {what}" for what in (*o.lost, *o.wrong)]
    return "\n".join(out)


def main() -> None:
    logging.getLogger("coldframe").setLevel(logging.ERROR)
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--faults", type=int, default=100)
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="coldframe-faults-") as folder:
        bench = Bench(Path(folder))
        outcomes = []
        for number in range(asked.faults):
            outcomes.append(bench.try_fault(asked.seed + number))
            if number % 10 == 9:
                bench.time_quiet()
        print(report(bench, outcomes))
    raise SystemExit(any(o.lost or o.wrong for o in outcomes))


if __name__ == "__main__":
    main()
