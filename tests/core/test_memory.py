"""Resident memory as the operating system tells it, against another way of asking."""

import resource
import subprocess
import sys

import numpy as np
import pytest

from coldframe import memory

MIB = 1 << 20


def test_memory_that_was_taken_shows_and_stays_in_the_peak():
    before = memory.current_memory()
    block = np.ones(64 * MIB, np.uint8)
    held = memory.current_memory()
    del block
    assert held - before > 60 * MIB
    assert memory.current_memory() < held - 50 * MIB
    assert memory.peak_memory() >= held - MIB  # the system counts in batches of pages


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
