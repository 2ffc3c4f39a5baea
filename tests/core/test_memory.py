"""Resident memory as the operating system tells it, against another way of asking."""

import platform
import resource
import subprocess
import sys

import pytest

from coldframe import memory

MIB = 1 << 20


TAKEN = """
import sys
import numpy as np
from coldframe import memory

if sys.argv[1] == "reuse":
    memory.reuse_freed_memory()
before = memory.current_memory()
block = np.ones(64 << 20, np.uint8)
held = memory.current_memory()
del block
print(before, held, memory.current_memory(), memory.peak_memory())
"""


def taken(how):
    """Bytes before, while and after 64 MiB are held, and the peak; of a process of its own."""
    words = [sys.executable, "-c", TAKEN, how]
    return map(int, subprocess.run(words, check=True, capture_output=True).stdout.split())


def test_memory_that_was_taken_shows_and_stays_in_the_peak():
    before, held, after, peak = taken("plain")
    assert held - before > 60 * MIB
    assert after < held - 50 * MIB
    assert peak >= held - MIB  # the system counts in batches of pages


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only glibc can be told")
def test_freed_memory_can_be_kept_for_use_again():
    before, held, after, _ = taken("reuse")
    assert held - before > 60 * MIB
    assert after > held - MIB


def test_without_the_status_file_getrusage_tells(monkeypatch, tmp_path):
    monkeypatch.setattr(memory, "_STATUS", tmp_path / "none")
    peak = memory.peak_memory()
    assert peak >= resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1000
    assert memory.current_memory() == peak


def test_the_peak_of_a_child_is_known_once_it_is_done():
    code = "import numpy as np; np.ones(150 << 20, np.uint8)"
    subprocess.run([sys.executable, "-c", code], check=True)
    assert memory.peak_of_children() > 150 * MIB


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux keeps /proc/self/status")
def test_linux_and_getrusage_agree():
    found = memory.peak_memory()
    assert found == pytest.approx(
        resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024, rel=0.5
    )
