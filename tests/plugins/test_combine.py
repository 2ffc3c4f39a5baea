"""The combine step on simulated calibration frames."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from coldframe.errors import SetAside, StepError
from coldframe.frame import Flag, Frame, FrameInfo, Kind
from coldframe.pixel_noise import pixel_noise
from coldframe.step import Context
from coldframe_steps.combine.plugin import coldframe_steps
from coldframe_steps.combine.step import Combine

Run = Callable[..., Any]


def frame(data: np.ndarray, flags: np.ndarray | None = None, **info: Any) -> Frame:
    info.setdefault("path", "night/frame.fits")
    data = np.asarray(data, np.float32)
    flags = np.zeros(data.shape[-2:], np.uint8) if flags is None else flags
    return Frame(data, flags, FrameInfo(**info))


def darks(n: int = 12, shape: tuple[int, int] = (64, 80)) -> list[Frame]:
    rng = np.random.default_rng(n)
    truth = rng.normal(500, 3, shape)
    return [
        frame(np.round(truth + rng.normal(0, 12, shape)), kind=Kind.DARK, exposure=120.0)
        for _ in range(n)
    ]


def test_the_plugin_gives_the_step() -> None:
    assert coldframe_steps() == [Combine]


def test_a_master_is_quieter_by_the_root_of_n(stack_run: Run) -> None:
    run = stack_run(Combine(), darks(16))
    single = np.mean([s["noise"][0] for s in run.surveys])
    # 3 ADU of the truth's own pattern is in both; sigma 12 falls to 3.
    assert single == pytest.approx(np.hypot(12, 3), rel=0.03)
    assert run.stack.measures["noise"] == pytest.approx(np.hypot(3, 3), rel=0.05)
    assert run.stack.measures["level"] == pytest.approx(500, abs=0.3)
    assert run.stack.measures["effective_frames"] == pytest.approx(16)
    assert set(run.stack.planes) == {"variance", "count", "low", "high"}
    assert np.mean(run.stack.planes["variance"]) == pytest.approx(12**2 / 16, rel=0.05)
    assert run.stack.data.dtype == np.float32
    assert run.stack.planes["count"].dtype == np.uint16


@pytest.mark.parametrize("method", ["mean", "median", "weighted-mean"])
@pytest.mark.parametrize("reject", ["sigma-clip", "winsorised-sigma-clip", "mad-clip", "min-max"])
def test_cosmic_rays_do_not_reach_the_master(stack_run: Run, method: str, reject: str) -> None:
    clean = darks(14)
    rng = np.random.default_rng(9)
    hit = []
    for f in clean:
        data = f.data.copy()
        data[rng.integers(0, 64, 5), rng.integers(0, 80, 5)] += 8000
        hit.append(f.with_pixels(data))
    with_rays = stack_run(Combine(), hit, method=method, reject=reject, bands=3).stack
    without = stack_run(Combine(), clean, method=method, reject=reject).stack
    # One of 14 rays kept would stand out by 570 ADU; a rejected sample moves the mean a little.
    assert np.abs(with_rays.data - without.data).max() < 15
    assert with_rays.measures["rejected_high"] > 0.09


def test_flats_are_scaled_to_one_level(stack_run: Run) -> None:
    """A panel or a dawn sky that doubles in brightness; vignetting stays."""
    rng = np.random.default_rng(2)
    y, x = np.mgrid[-1:1:160j, -1:1:200j]
    vignetting = 1 - 0.2 * (y**2 + x**2) / 2
    levels = np.linspace(10_000, 20_000, 10)
    flats = [frame(rng.poisson(v * vignetting), kind=Kind.FLAT) for v in levels]
    run = stack_run(Combine(), flats, scale="median", method="weighted-mean")
    ratio = run.stack.data / vignetting
    assert ratio.std() / ratio.mean() < 1.3 / np.sqrt(levels.sum())
    assert run.stack.measures["level"] == pytest.approx(15_000 * np.median(vignetting), rel=0.01)
    assert run.column("level_scale") == pytest.approx(15_000 / levels, rel=0.01)
    # Scaled to one level, the noise of a flat falls as the root of its light: weight is its light.
    assert run.column("weight") == pytest.approx(levels / 20_000, rel=0.05)
    assert run.stack.measures["rejected_high"] < 1
    unscaled = stack_run(Combine(), flats, reject="none").stack
    assert unscaled.planes["variance"].mean() > 100 * run.stack.planes["variance"].mean()


def test_darks_are_scaled_by_exposure(stack_run: Run) -> None:
    rng = np.random.default_rng(3)
    frames = [
        frame(rng.normal(0.5 * t, 2, (32, 32)), exposure=t, kind=Kind.DARK) for t in (60, 120, 240)
    ]
    run = stack_run(Combine(), frames, scale="exposure")
    assert run.column("level_scale") == [2.0, 1.0, 0.5]
    assert run.stack.measures["level"] == pytest.approx(60, abs=0.3)


@pytest.mark.parametrize("scale", ["median", "exposure"])
def test_a_frame_that_cannot_be_scaled_is_named(stack_run: Run, scale: str) -> None:
    good = frame(np.full((16, 16), 900), exposure=1.0)
    bad = frame(np.full((16, 16), -2), path="night/lost.fits")
    with pytest.raises(StepError, match=rf"cannot scale by {scale}: lost\.fits .*scale: none"):
        stack_run(Combine(), [good, good, bad], scale=scale)


def test_min_max_of_too_few_frames_says_how_many(stack_run: Run) -> None:
    with pytest.raises(StepError, match="needs more than 4 frames, and there are 4"):
        stack_run(Combine(), darks(4), reject="min-max", lowest=2, highest=2)


def test_a_frame_without_usable_pixels_is_set_aside() -> None:
    gone = frame(np.ones((16, 16)), np.full((16, 16), Flag.NO_DATA, np.uint8))
    params = {name: spec["default"] for name, spec in Combine.params.items()}
    with pytest.raises(SetAside, match="no usable pixels"):
        Combine().survey(gone, Context(params=params))


def test_equal_frames_without_noise_make_a_master(stack_run: Run) -> None:
    run = stack_run(Combine(), [frame(np.full((16, 16), 7))] * 5, method="weighted-mean")
    assert np.all(run.stack.data == 7)
    assert np.all(run.stack.planes["variance"] < 1e-9)
    assert np.all(run.stack.planes["count"] == 5)


def test_weights_follow_the_noise(stack_run: Run) -> None:
    rng = np.random.default_rng(8)
    sigma = np.repeat([5.0, 15.0], 6)
    frames = [frame(rng.normal(100, s, (100, 100))) for s in sigma]
    best = 1 / np.sqrt(np.sum(sigma**-2))
    weighted = stack_run(Combine(), frames, method="weighted-mean").stack
    plain = stack_run(Combine(), frames, method="mean", reject="none").stack
    assert weighted.data.std() == pytest.approx(best, rel=0.05)
    assert plain.data.std() > 1.5 * best
    assert weighted.measures["effective_frames"] == pytest.approx(
        np.sum(sigma**-2) ** 2 / np.sum(sigma**-4.0), rel=0.05
    )


@pytest.mark.parametrize("bands", [2, 5])
def test_bands_do_not_change_a_byte(stack_run: Run, bands: int) -> None:
    frames = darks(7)
    whole = stack_run(Combine(), frames).stack
    parts = stack_run(Combine(), frames, bands=bands).stack
    assert whole.data.tobytes() == parts.data.tobytes()
    for name in whole.planes:
        assert whole.planes[name].tobytes() == parts.planes[name].tobytes()


def test_colour_frames_are_combined_colour_by_colour(stack_run: Run) -> None:
    rng = np.random.default_rng(6)
    level = np.array([100.0, 200.0, 50.0])[:, None, None]
    frames = [frame(rng.normal(level, 5, (3, 24, 30))) for _ in range(6)]
    stack = stack_run(Combine(), frames).stack
    assert stack.data.shape == stack.planes["count"].shape == (3, 24, 30)
    assert stack.data.mean(axis=(1, 2)) == pytest.approx(level.ravel(), rel=0.01)


@pytest.mark.parametrize("shape", [(300, 400), (2100, 1500)])
def test_noise_is_that_of_single_pixels_whatever_the_scene(shape: tuple[int, int]) -> None:
    """Gradient, rows of different level, a CFA's colours and 4% of star pixels are not noise."""
    rng = np.random.default_rng(1)
    y, x = np.mgrid[: shape[0], : shape[1]]
    scene = 300 + 0.2 * x + 0.1 * y + np.array([[0, 80], [80, 150]])[y % 2, x % 2]
    scene += rng.normal(0, 30, (1, shape[1]))
    data = scene + rng.normal(0, 9, shape)
    stars = rng.random(shape) < 0.04
    data[stars] += rng.exponential(2000, stars.sum())
    noise = pixel_noise(data.astype(np.float32), np.zeros(shape, np.uint8))
    # 30 ADU from column to column is real structure at a lag across; here it must not vanish.
    assert noise == pytest.approx(np.hypot(9, 30), rel=0.2)
    data -= scene
    assert pixel_noise(data.astype(np.float32), np.zeros(shape, np.uint8)) == pytest.approx(
        9, rel=0.03
    )


def test_noise_ignores_what_is_flagged() -> None:
    rng = np.random.default_rng(1)
    data = rng.normal(0, 4, (200, 200)).astype(np.float32)
    flags = np.zeros(data.shape, np.uint8)
    flags[:120] = Flag.NO_DATA
    data[:120] = np.nan
    assert pixel_noise(data, flags) == pytest.approx(4, rel=0.05)
    assert pixel_noise(data[:3], flags[:3]) == 0
    assert pixel_noise(data[:100], flags[:100]) == 0
