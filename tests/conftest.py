"""What all tests share: a cache folder of their own, and a tiny star renderer whose truth is known."""

from __future__ import annotations

import os
import signal
import sys
import tempfile
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from hypothesis import settings
from numpy.typing import NDArray
from scipy.special import erf

from coldframe_steps.kernels.kept import keep_apart

# A busy machine is no fault of an example.
settings.register_profile("coldframe", deadline=None)
settings.load_profile("coldframe")

# Compiled loops are shared with other runs; what commands remember of nights is not.
keep_apart()
_CACHE = tempfile.TemporaryDirectory(prefix="coldframe-tests-")
os.environ.pop("COLUMNS", None)  # the tests' own terminal is no matter of the commands
os.environ["XDG_CACHE_HOME"] = _CACHE.name

if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
    # A script that runs the tests in its background ignores Ctrl-C, and so would what they start.
    signal.signal(signal.SIGINT, signal.default_int_handler)

sys.path.insert(0, str(Path(__file__).parent))  # for helpers that all tests share
from sharing import DemoNight, DemoRun, Shared, shared_night, shared_run  # noqa: E402

Image = NDArray[np.float64]


def draw(
    shape: tuple[int, int],
    xy: Image,
    flux: Image,
    fwhm: float | tuple[float, float],
) -> Image:
    """Gaussian stars integrated over square pixels; pixel centres are whole numbers.

    fwhm : of the light before the pixels, along x and y.
    """
    image = np.zeros(shape)
    wide, high = (f / 2.3548 for f in (fwhm if isinstance(fwhm, tuple) else (fwhm, fwhm)))
    reach = int(np.ceil(5 * max(wide, high))) + 1
    for (x, y), light in zip(xy, flux, strict=True):
        cx, cy = round(float(x)), round(float(y))
        xs = np.arange(max(cx - reach, 0), min(cx + reach + 1, shape[1]))
        ys = np.arange(max(cy - reach, 0), min(cy + reach + 1, shape[0]))
        if xs.size and ys.size:
            across, down = _share(xs - x, wide), _share(ys - y, high)
            image[ys[0] : ys[-1] + 1, xs[0] : xs[-1] + 1] += light * np.outer(down, across)
    return image


def _share(offset: Image, sigma: float) -> Image:
    low, high = ((offset + side) / (sigma * np.sqrt(2.0)) for side in (-0.5, 0.5))
    return np.asarray(0.5 * (erf(high) - erf(low)))


@pytest.fixture(scope="session")
def draw_stars() -> Callable[..., Image]:
    return draw


@pytest.fixture(scope="session")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shared]:
    """Folders that all processes of this test run share: see sharing.py."""
    mine = tmp_path_factory.getbasetemp()
    common = mine.parent if "PYTEST_XDIST_WORKER" in os.environ else mine
    made = Shared(common / "shared")
    yield made
    made.check()


@pytest.fixture(scope="session")
def made_once(shared: Shared) -> Callable[[str, Callable[[Path], object]], Path]:
    """made_once(name, make): a folder that make(folder) makes once for all tests."""
    return shared.made_once


@pytest.fixture(scope="session")
def demo_night(shared: Shared) -> Callable[..., DemoNight]:
    """demo_night(kind, seed=3, size="tiny"): a night of the demo and the truth about it."""
    return partial(shared_night, shared)


@pytest.fixture(scope="session")
def demo_run(shared: Shared) -> Callable[..., DemoRun]:
    """demo_run(kind, *options, seed=3, size="tiny"): what `coldframe run` made of such a night."""
    return partial(shared_run, shared)


@pytest.fixture(scope="session")
def tiny_run(demo_run: Callable[..., DemoRun]) -> tuple[Path, Path]:
    """A tiny invented night, and the output of the run that was made of it. Not to be changed."""
    done = demo_run("colour")
    return done.night, done.output
