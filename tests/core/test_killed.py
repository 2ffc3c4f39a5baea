"""Programs that are really killed, stopped, or run out of disk; then begun again."""

import contextlib
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import faultsim
import pytest


@pytest.fixture(scope="module")
def bench():
    # Not in pytest's own folder: one of the faults is to be a user who may not write.
    with tempfile.TemporaryDirectory(prefix="coldframe-faults-") as folder:
        yield faultsim.Bench(Path(folder))


def start(bench, out, *more):
    """The command in a session of its own, as from a terminal."""
    return subprocess.Popen(
        [
            sys.executable, "-m", "coldframe.cli", "run", bench.night, "-o", out,
            "--recipe", bench.night / "small.yaml", "--no-library", "--no-inspect", "--json",
            "--workers", "2", *more,
        ],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip


def wait_for_products(out, count, process):
    while len(list((out / "store").glob("??/*.json"))) < count and process.poll() is None:
        time.sleep(0.01)


def descendants(pid):
    found = []
    for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
        with contextlib.suppress(OSError):
            found += [int(child), *descendants(child)]
    return found


def finished(bench, out, *more):
    """Run to the end and compare."""
    process = start(bench, out, *more)
    _, said = process.communicate()
    assert process.returncode == 0, said
    assert (out / bench.name).read_bytes() == bench.final
    return said


@pytest.mark.parametrize("products", [0, 4, 15])
def test_kill_the_whole_program(bench, tmp_path, products):
    out = tmp_path / "out"
    process = start(bench, out)
    wait_for_products(out, products, process)
    process.kill()
    process.communicate()
    finished(bench, out)


def test_kill_a_worker_process_and_the_run_goes_on(bench, tmp_path):
    out = tmp_path / "out"
    process = start(bench, out, "--scheduler", "processes")
    wait_for_products(out, 5, process)
    for pid in descendants(process.pid):
        if b"spawn_main" in Path(f"/proc/{pid}/cmdline").read_bytes():
            os.kill(pid, signal.SIGKILL)
            break
    _, said = process.communicate()
    assert process.returncode == 0, said
    assert (out / bench.name).read_bytes() == bench.final


@pytest.mark.parametrize(
    ("scheduler", "how", "code"),
    [
        ("processes", signal.SIGINT, 130),
        ("local", signal.SIGINT, 130),
        ("local", signal.SIGTERM, 143),
    ],
)
def test_ctrl_c_and_kill_leave_nothing_running(bench, tmp_path, scheduler, how, code):
    out = tmp_path / "out"
    process = start(bench, out, "--scheduler", scheduler)
    wait_for_products(out, 3, process)
    workers = descendants(process.pid)
    if how == signal.SIGINT:
        os.killpg(process.pid, how)  # as a terminal does
    else:
        process.send_signal(how)
    _, said = process.communicate()
    assert process.returncode == code, said
    assert "Finished work is kept" in said
    assert "Traceback" not in said
    deadline = time.monotonic() + 20
    while any(Path(f"/proc/{pid}").exists() for pid in workers) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not [pid for pid in workers if Path(f"/proc/{pid}").exists()]
    assert not list((out / "store/running").glob("*"))


def test_a_full_small_disk_is_told_and_the_run_goes_on_when_there_is_room(bench, tmp_path):
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=50m", "none", str(disk)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("a file system of its own needs root and the right to mount")
    try:
        process = start(bench, disk / "out")
        wait_for_products(disk / "out", 4, process)
        os.kill(process.pid, signal.SIGSTOP)
        # Somebody else's files, which no plan could foresee.
        fill = ["dd", "if=/dev/zero", f"of={disk / 'others'}", "bs=4k"]
        assert b"No space" in subprocess.run(fill, capture_output=True, check=False).stderr
        os.kill(process.pid, signal.SIGCONT)
        _, said = process.communicate()
        assert process.returncode == 1
        assert "No space left on device" in said
        assert len(said.splitlines()[-1]) < 300
        (disk / "others").unlink()
        finished(bench, disk / "out")
    finally:
        subprocess.run(["umount", str(disk)], check=True)
