"""Two to nine lights: outliers are judged by the noise that the frames are known to have.

The truth is the simulation's own: frames with and without cosmic rays are otherwise the same, and
the least noise is that of the best linear estimate (Aitken 1935).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scenes import Scene, sky_scatter

from coldframe.errors import StepError
from coldframe.frame import Frame
from coldframe_steps.integrate.rule import FEW, rule_for
from coldframe_steps.integrate.step import Integrate

Run = Callable[..., Any]
RAYS = 60  # a frame
SHAPE = (400, 500)


def hit(frames: list[Frame]) -> list[Frame]:
    """The frames with cosmic rays: single pixels and their neighbours, 8 to 400 sigma."""
    out = []
    for number, frame in enumerate(frames):
        rng = np.random.default_rng([7, number])
        data = frame.data.copy()
        y, x = rng.integers(5, SHAPE[0] - 5, RAYS), rng.integers(5, SHAPE[1] - 5, RAYS)
        peak = 20.0 * 10 ** rng.uniform(0.9, 2.6, RAYS)
        for dy, dx, share in ((0, 0, 1.0), (0, 1, 0.4), (1, 0, 0.2)):
            data[y + dy, x + dx] += (share * peak).astype(np.float32)
        out.append(frame.with_pixels(data))
    return out


def outliers_per_million(dirty: Frame, clean: Frame, scene: Scene) -> float:
    """Pixels of sky in which the rays changed the stack by more than 5 sigma of it."""
    sky = scene.starlight(4.0, 0.0, 0.0) < 20.0
    return 1e6 * float(np.mean(np.abs(dirty.data - clean.data)[sky] > 5 * scene.best()))


@pytest.mark.parametrize(("n", "by_hand"), [(2, 400), (3, 300), (5, 100)])
def test_cosmic_rays_do_not_reach_a_stack_of_few_lights(
    stack_run: Run, n: int, by_hand: float
) -> None:
    """by_hand : what the rule for many frames leaves at least, per million pixels."""
    scene = Scene(n=n, shape=SHAPE)
    clean = scene.frames()
    whole = stack_run(Integrate(), clean, reject="none").stack
    run = stack_run(Integrate(), hit(clean), bands=3)
    many = stack_run(Integrate(), hit(clean), reject="winsorised-sigma-clip").stack
    left = outliers_per_million(run.stack, whole, scene)
    assert left < 15, left
    assert outliers_per_million(many, whole, scene) > by_hand
    # Stars, whose pixels change with seeing and registration, keep their light.
    ratio = scene.photometry(run.stack.data) / scene.photometry(whole.data)
    assert np.median(ratio) == pytest.approx(1, abs=0.002)
    assert np.percentile(np.abs(ratio - 1), 95) < 0.01


@pytest.mark.parametrize("n", [2, 3, FEW])
def test_a_clean_sky_of_few_lights_keeps_its_depth(stack_run: Run, n: int) -> None:
    scene = Scene(n=n, shape=SHAPE, stars=False)
    stack = stack_run(Integrate(), scene.frames()).stack
    assert sky_scatter(stack) < 1.01 * scene.best()
    assert stack.measures["rejected_low"] + stack.measures["rejected_high"] < 0.1


def test_of_two_unequal_lights_each_is_judged_by_its_own_noise(stack_run: Run) -> None:
    """A light through cloud is four times noisier: its sky stays, a ray in the other goes."""
    scene = Scene(n=2, shape=SHAPE, stars=False, noise=(15.0, 60.0))
    frames = scene.frames()
    data = frames[0].data.copy()
    data[200, 200:300:5] += 10 * (15.0 + 60.0)
    run = stack_run(Integrate(), [frames[0].with_pixels(data), frames[1]])
    assert (run.stack.planes["high"][200, 200:300:5] == 1).mean() > 0.9
    assert run.stack.measures["rejected_high"] < 0.05


def test_trails_in_three_lights_go_with_their_faint_edges(stack_run: Run) -> None:
    scene = Scene(n=3, shape=SHAPE, stars=False, trails=1)
    without = Scene(n=3, shape=SHAPE, stars=False)
    clean = stack_run(Integrate(), without.frames(), reject="none").stack
    found = stack_run(Integrate(), scene.frames()).stack
    assert np.abs(found.data - clean.data).max() < 5 * without.noise


def test_the_number_of_lights_chooses_and_the_result_says_so(stack_run: Run, caplog: Any) -> None:
    params = {"reject": "auto"}
    assert rule_for(params, FEW) == "known-noise"
    assert rule_for(params, FEW + 1) == "winsorised-sigma-clip"
    scene = Scene(n=3, shape=(150, 190), stars=False)
    stack = stack_run(Integrate(), scene.frames()).stack
    assert "3 frames are too few to tell outliers by their own scatter" in caplog.text
    assert stack.history[-1] == "integrate: known-noise of 3 frames"
    with pytest.raises(StepError, match="at most 64 frames"):
        stack_run(Integrate(), Scene(n=65, shape=(40, 40), stars=False).frames(),
                  reject="known-noise")  # fmt: skip
