"""Peak memory does not follow the number of frames. Measured in processes of their own."""

import json
import subprocess
import sys

import pytest

from coldframe.demo.night import make_night

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="peaks are read from Linux's /proc")

MEGAPIXELS, LIMIT = 1.5, 600  # Mpx a frame, MiB


def soak(tmp_path, frames, *more):
    done = subprocess.run(
        [
            sys.executable, "-m", "tests.benchmarks.soak_memory", "--frames", str(frames),
            "--megapixels", str(MEGAPIXELS), "--memory", f"{LIMIT}MiB",
            "--folder", str(tmp_path / f"soak-{frames}"), *more,
        ],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_four_times_the_frames_take_no_more_memory(tmp_path):
    soak(tmp_path, 2)  # compiles what is not compiled yet
    few, many = soak(tmp_path, 10), soak(tmp_path, 40)
    # All samples of 40 frames, with their flags, are 300 MB: more than the limit leaves.
    assert many["bands"] > few["bands"]
    assert many["peak_mib"] < LIMIT
    assert many["peak_mib"] - few["peak_mib"] < 60


@pytest.mark.slow
@pytest.mark.parametrize("more", [[], ["--colour"]], ids=["mono", "colour"])
def test_large_frames_under_two_gibibytes(tmp_path, more):
    """About 2.5 GB (mono) or 6 GB (colour) of disk and some minutes."""
    found = soak(tmp_path, 20, *more, "--megapixels", "24", "--memory", "2GiB")
    assert found["peak_mib"] < 2048
    assert found["expected_mib"] <= 2048


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["colour", "mono"])
def test_no_task_takes_more_than_was_planned(tmp_path, kind):
    from tests.benchmarks.task_memory import SLACK, measure

    make_night(tmp_path / "warm", "tiny", 1, kind)
    measure(tmp_path / "warm", tmp_path / "warm-out", 4 << 30)  # compiles and imports
    make_night(tmp_path / "night", "small", 1, kind)
    kinds = measure(tmp_path / "night", tmp_path / "out", 4 << 30)
    over = {name: kind for name, kind in kinds.items() if kind.measured > kind.planned + SLACK}
    assert not over
    assert len(kinds) > 15
