"""Real dask schedulers and workers for tests, and plugins installed for them alone."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

HERE = Path(__file__).parent


def install(folder, module):
    """A distribution whose one plugin is a module beside this file; for PYTHONPATH."""
    info = folder / f"{module}-1.0.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {module}\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(f"[coldframe]\n{module} = {module}\n")
    return folder


def other_version(folder, package):
    """A folder for PYTHONPATH in which a package says that it is version 0.1."""
    info = folder / f"{package}-0.1.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: 0.1\n")
    return folder


def environment(*folders):
    """Of a process that finds what is installed in these folders too."""
    paths = [*map(str, folders), str(HERE), *os.environ.get("PYTHONPATH", "").split(os.pathsep)]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, paths))}


class Cluster:
    """A dask scheduler and its workers, each a process of its own."""

    def __init__(self, folder, inside=(), host="127.0.0.1"):
        self.file, self.log = folder / "scheduler.json", (folder / "log.txt").open("w")
        self.workers = []
        self.scheduler = self._start(
            [
                *inside, sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", host,
                "--port", "0", "--no-dashboard", "--scheduler-file", str(self.file),
            ]
        )  # fmt: skip
        wait(lambda: self.file.exists() and self.file.read_text().endswith("}"), "a scheduler")
        self.address = json.loads(self.file.read_text())["address"]

    def _start(self, command, env=None):
        return subprocess.Popen(
            command, stdout=self.log, stderr=self.log, env=env or environment(),
            start_new_session=True,
        )  # fmt: skip

    def add(self, *, inside=(), host="127.0.0.1", env=None, nanny=True):
        """One more worker of one thread."""
        worker = self._start(
            [*inside, sys.executable, "-m", "distributed.cli.dask_worker", self.address]
            + ["--host", host, "--nthreads", "1", "--no-dashboard", "--memory-limit", "0"]
            + ([] if nanny else ["--no-nanny"]),
            env,
        )
        self.workers.append(worker)
        return worker

    def wait_for(self, count, run=()):
        """Until so many workers have joined."""
        code = (
            "import sys; from distributed import Client; c = Client(sys.argv[1]);"
            "c.wait_for_workers(int(sys.argv[2]), timeout=90)"
        )
        subprocess.run([*run, sys.executable, "-c", code, self.address, str(count)], check=True)

    def stop(self, process):
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()

    def close(self):
        for process in (*self.workers, self.scheduler):
            self.stop(process)
        self.log.close()


def wait(until, what):
    deadline = time.monotonic() + 90
    while not until():
        if time.monotonic() > deadline:
            raise TimeoutError(f"waited in vain for {what}")
        time.sleep(0.05)
