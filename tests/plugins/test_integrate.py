"""The integrate step on simulated registered frames with known truth."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from scenes import Scene, sky_scatter
from scipy.ndimage import uniform_filter

from coldframe.errors import SetAside, StepError
from coldframe.frame import Flag, Frame
from coldframe.step import Context
from coldframe_steps.integrate.plugin import coldframe_steps
from coldframe_steps.integrate.step import Integrate

Run = Callable[..., Any]


def to_clear(run: Any) -> float:
    """Factor that brings a stack from its reference's flux to that of a clear frame."""
    frame_scale = np.array(run.column("flux_scale"))
    return float(frame_scale.min())


def test_the_plugin_gives_the_step() -> None:
    assert coldframe_steps() == [Integrate]


@pytest.mark.parametrize("n", [8, 14, 30])
def test_noise_of_equal_frames_is_within_5_percent_of_the_best(stack_run: Run, n: int) -> None:
    scene = Scene(n=n, stars=False)
    run = stack_run(Integrate(), scene.frames())
    measures = run.stack.measures
    assert sky_scatter(run.stack) < 1.05 * scene.best()
    # What the stack says of itself is so.
    assert measures["noise"] == pytest.approx(sky_scatter(run.stack), rel=0.03)
    assert measures["best_noise"] == pytest.approx(scene.best(), rel=0.03)
    assert measures["improvement"] == pytest.approx(np.sqrt(n), rel=0.05)
    assert measures["effective_frames"] == pytest.approx(n, rel=0.02)


@pytest.mark.parametrize("weights", ["noise", "equal"])
def test_cloudy_frames_count_little(stack_run: Run, weights: str) -> None:
    """3 of 14 frames through cloud: 2.2 times the noise at under half of the light."""
    cloudy = np.arange(14) % 5 == 2
    scene = Scene(
        noise=np.where(cloudy, 33.0, 15.0), transparency=np.where(cloudy, 0.45, 1.0), stars=False
    )
    # With equal weights rejection would take the worst of the noisy samples.
    rule = {} if weights == "noise" else {"reject": "none"}
    run = stack_run(Integrate(), scene.frames(), weights=weights, **rule)
    ratio = sky_scatter(run.stack) * to_clear(run) / scene.best()
    if weights == "noise":
        assert ratio < 1.05
        assert run.stack.measures["effective_frames"] == pytest.approx(11, abs=0.6)
        expected = np.where(cloudy, (15 * 0.45 / 33) ** 2, 1.0)
        assert run.column("weight") == pytest.approx(expected, rel=0.15)
        assert run.stack.measures["best_noise"] * to_clear(run) == pytest.approx(
            scene.best(), rel=0.03
        )
    else:
        assert ratio > 1.2


@pytest.mark.parametrize("peak", [6.0, 40.0, 400.0])
def test_trails_do_not_show(stack_run: Run, peak: float) -> None:
    """Satellite trails in 3 of 12 frames, faint to bright: under 1 sigma of the stack is left.

    The residual is what the trails change the stack by, in means of 5 x 5 pixels: a single pixel
    also changes when one of its clean samples is judged otherwise than without the trail.
    """
    scene = Scene(n=12, trails=3, trail_peak=peak, stars=False, tilt=0.0, lift=0.0)
    clean = stack_run(Integrate(), replace(scene, trails=0).frames(), match_sky="none").stack
    hit = scene.frames()
    stack = stack_run(Integrate(), hit, match_sky="none").stack
    plain = stack_run(Integrate(), hit, match_sky="none", reject="none").stack
    sigma = clean.measures["noise"]
    left = uniform_filter(stack.data - clean.data, 5) / sigma
    shown = uniform_filter(plain.data - clean.data, 5) / sigma
    assert shown.max() > 2.5
    assert left.max() < 1.0
    # Along the trail, not a trace: the mean over where it was.
    where = shown > 0.5 * np.median(shown[shown > 1])
    assert abs(left[where].mean()) < 0.1


def test_growing_takes_the_edges_of_a_trail(stack_run: Run) -> None:
    scene = Scene(n=12, trails=2, trail_peak=40, stars=False, tilt=0.0, lift=0.0)
    clean = stack_run(Integrate(), replace(scene, trails=0).frames(), match_sky="none").stack
    left = {}
    for grow in (0, 2):
        stack = stack_run(Integrate(), scene.frames(), match_sky="none", trail_margin=grow).stack
        left[grow] = uniform_filter(stack.data - clean.data, 3).max() / clean.measures["noise"]
        assert stack.measures["noise"] < 1.05 * scene.best()
    assert left[2] < 0.7 * left[0]


def test_single_rejected_pixels_do_not_grow(stack_run: Run) -> None:
    scene = Scene(n=12, stars=False)
    frames = scene.frames()
    rng = np.random.default_rng(0)
    for i, f in enumerate(frames):
        data = f.data.copy()
        data[rng.integers(0, 150, 40), rng.integers(0, 190, 40)] += 5000
        frames[i] = f.with_pixels(data)
    stacks = [stack_run(Integrate(), frames, trail_margin=grow).stack for grow in (0, 3)]
    high = [stack.measures["rejected_high"] for stack in stacks]
    assert high[0] > 0.15
    assert high[1] == pytest.approx(high[0], rel=0.1)


@pytest.mark.parametrize("seeing", [0.0, 0.06])
@pytest.mark.parametrize("weights", ["noise", "fwhm"])
def test_photometry_is_unbiased(stack_run: Run, seeing: float, weights: str) -> None:
    """Transparency from 0.6 to 1, FWHM 4 px +- 6%, registration 0.1 px rms, trails in two frames."""
    rng = np.random.default_rng(5)
    scene = Scene(
        n=16,
        transparency=rng.uniform(0.6, 1.0, 16),
        fwhm=4.0 * (1 + seeing * rng.standard_normal(16)),
        trails=2,
        trail_peak=20,
    )
    run = stack_run(Integrate(), scene.frames(), weights=weights)
    level = np.asarray(scene.transparency)[run.column("flux_scale").index(1.0)]
    ratio = scene.photometry(run.stack.data) / level
    bright = scene.flux > 1e5  # 0.1% of photon and sky noise, and less, in the stack
    assert bright.sum() > 8
    assert np.median(ratio[bright]) == pytest.approx(1, abs=0.002)
    assert np.abs(ratio[bright] - 1).max() < 0.005
    assert np.median(ratio[~bright]) == pytest.approx(1, abs=0.01)
    assert not run.stack.flags.any()


def test_stars_judged_as_sky_would_lose_light(stack_run: Run) -> None:
    """What star_tolerance is for."""
    rng = np.random.default_rng(5)
    scene = Scene(n=16, fwhm=4.0 * (1 + 0.15 * rng.standard_normal(16)))
    frames = scene.frames()
    bright = scene.flux > 1e5
    lost = {}
    for tolerance in (0.0, 0.3):
        stack = stack_run(Integrate(), frames, star_tolerance=tolerance, high=3.0).stack
        lost[tolerance] = 1 - np.median(scene.photometry(stack.data)[bright])
    assert lost[0.0] > 0.003
    assert abs(lost[0.3]) < 0.001


@pytest.mark.parametrize("background", ["none", "offset", "offset-scale", "plane"])
def test_backgrounds_are_matched_before_rejection(stack_run: Run, background: str) -> None:
    scene = Scene(stars=False, tilt=0.5)
    run = stack_run(Integrate(), scene.frames(), match_sky=background)
    scatter = run.stack.planes["variance"].mean() * 14 / 20**2
    if background == "plane":
        assert scatter == pytest.approx(1, abs=0.1)
        assert sky_scatter(run.stack) < 1.05 * scene.best()
        assert max(run.column("sky_gradient")) > 30
        assert min(run.column("sky_gradient")) == 0  # the reference's own
    else:
        assert scatter > (50 if background == "none" else 1.5)
    if background == "none":
        assert set(run.column("sky_offset")) == {0.0}
    else:
        assert max(np.abs(run.column("sky_offset"))) > 100


def test_a_nebula_does_not_tilt_the_match(stack_run: Run) -> None:
    """A nebula over a third of the field is in every frame and cancels."""
    y, x = np.mgrid[:150, :190]
    nebula = 300 * np.exp(-((y - 50) ** 2 + (x - 40) ** 2) / 2 / 40**2)
    clear = np.linspace(0.6, 1, 14)
    plain = Scene(stars=False, transparency=clear, noise=5.0)
    frames = [
        f.with_pixels((f.data + nebula * t).astype(np.float32))
        for f, t in zip(plain.frames(), clear, strict=True)
    ]
    run = stack_run(Integrate(), frames)
    level = clear[run.column("flux_scale").index(1.0)]
    y, x = np.indices(run.stack.data.shape)
    design = np.stack([nebula.ravel(), np.ones(y.size), y.ravel(), x.ravel()], axis=1)
    fit = np.linalg.lstsq(design, run.stack.data.ravel().astype(float), rcond=None)[0]
    assert fit[0] / level == pytest.approx(1, abs=0.005)
    assert sky_scatter(run.stack) > 5  # the nebula itself
    rest = run.stack.data.ravel() - design @ fit
    assert rest.std() * to_clear(run) < 1.05 * plain.best()


def test_saturated_cores_keep_their_value_and_flag(stack_run: Run) -> None:
    scene = Scene(fwhm=4 * (1 + 0.1 * np.random.default_rng(0).standard_normal(14)))
    white = 20_000.0
    frames = []
    for f in scene.frames():
        full = f.data >= white
        frames.append(f.with_pixels(np.minimum(f.data, np.float32(white)), full.astype(np.uint8)))
    full = np.all([f.flags == 1 for f in frames], axis=0)
    assert full.sum() > 10
    stack = stack_run(Integrate(), frames, match_sky="none").stack
    assert np.all(stack.flags[full] == Flag.SATURATED)
    assert np.all(stack.data[full] == white)
    assert np.all(stack.planes["count"][full] == 14)
    assert not np.any(stack.flags[~np.any([f.flags == 1 for f in frames], axis=0)])


def test_edges_where_few_frames_reach(stack_run: Run) -> None:
    """Coverage falls to nothing at a shifted field's edge; noise is measured where it is full."""
    scene = Scene(stars=False)
    frames = scene.frames()
    for i, f in enumerate(frames):
        flags = f.flags.copy()
        flags[:, : 5 * i] = Flag.NO_DATA
        flags[:2] = Flag.NO_DATA
        data = np.where(flags == 0, f.data, 0).astype(np.float32)
        frames[i] = f.with_pixels(data, flags)
    stack = stack_run(Integrate(), frames, weights="equal").stack
    assert np.all(stack.flags[:2] == Flag.NO_DATA)
    assert np.all(stack.data[:2] == 0)
    assert not stack.flags[2:].any()
    share = np.minimum(np.arange(190) // 5 + 1, 14) / 14
    reach = (stack.planes["count"] + stack.planes["low"] + stack.planes["high"])[2:] / 14
    assert reach == pytest.approx(np.broadcast_to(share, reach.shape))
    assert np.median(stack.planes["weight"][2:], axis=0) == pytest.approx(share, abs=0.01)
    assert stack.measures["noise"] == pytest.approx(scene.best(), rel=0.06)
    thin = stack.planes["variance"][5:, 10:14].mean() / stack.planes["variance"][5:, 80:].mean()
    assert thin == pytest.approx(14 / 3, rel=0.15)


def colour(frames: list[Frame], tint: Sequence[float]) -> list[Frame]:
    out = []
    for i, f in enumerate(frames):
        rng = np.random.default_rng([77, i])
        grain = rng.normal(0, 10, (3, *f.shape))
        data = np.stack([f.data * t for t in tint]) + grain
        out.append(f.with_pixels(data.astype(np.float32)))
    return out


def test_colours_share_weights(stack_run: Run) -> None:
    """A frame that is noisy in one colour counts the same in all; star colours stay."""
    tint = (0.8, 1.0, 0.6)
    scene = Scene(n=10)
    frames = colour(scene.frames(), tint)
    data = frames[4].data.copy()
    data[2] += np.random.default_rng(1).normal(0, 60, data.shape[1:])
    frames[4] = frames[4].with_pixels(data)
    run = stack_run(Integrate(), frames)
    stack = run.stack
    assert stack.data.shape == stack.planes["weight"].shape == (3, 150, 190)
    weight = np.array(run.column("weight"))
    assert weight.argmin() == 4
    assert weight[4] < 0.3
    bright = scene.flux > 1e5
    flux = np.array(
        [scene.photometry(c)[bright] / t for c, t in zip(stack.data, tint, strict=True)]
    )
    assert np.abs(np.median(flux, axis=1) - 1).max() < 0.003
    assert np.abs(flux[2] / flux[1] - 1).max() < 0.01
    assert stack.measures["improvement"] == pytest.approx(np.sqrt(9.3), rel=0.1)


def test_frames_of_different_exposure_are_scaled_without_flux_ratio(stack_run: Run) -> None:
    scene = Scene(n=9, transparency=np.repeat([1.0, 0.5, 0.25], 3))
    frames = []
    for f, exposure in zip(scene.frames(), np.repeat([120.0, 60.0, 30.0], 3), strict=True):
        frames.append(replace(f, info=replace(f.info, exposure=float(exposure)), measures={}))
    scale = np.array(stack_run(Integrate(), frames).column("flux_scale"))
    assert scale / scale[0] == pytest.approx(np.repeat([1.0, 2.0, 4.0], 3))


@pytest.mark.parametrize("bands", [2, 5])
def test_bands_do_not_change_a_byte(stack_run: Run, bands: int) -> None:
    frames = Scene(n=9, trails=2, fwhm=4 + np.linspace(-0.4, 0.4, 9)).frames()
    whole = stack_run(Integrate(), frames).stack
    parts = stack_run(Integrate(), frames, bands=bands).stack
    assert whole.data.tobytes() == parts.data.tobytes()
    assert whole.measures == parts.measures
    for name in whole.planes:
        assert whole.planes[name].tobytes() == parts.planes[name].tobytes(), name


@pytest.mark.parametrize("reject", ["none", "min-max"])
def test_rules_that_do_not_judge_neither_grow_nor_need_a_margin(
    stack_run: Run, reject: str
) -> None:
    scene = Scene(n=7, stars=False)
    stack = stack_run(Integrate(), scene.frames(), reject=reject, bands=3).stack
    gone = 2 if reject == "min-max" else 0
    assert np.all(stack.planes["count"] == 7 - gone)
    params = {name: spec["default"] for name, spec in Integrate.params.items()}
    assert Integrate().halo_rows({**params, "reject": reject}) == 0
    assert Integrate().halo_rows(params) == 7


def test_weights_by_expression(stack_run: Run) -> None:
    fwhm = np.array([3.0, 3.0, 4.0, 6.0, 5.0])
    frames = Scene(n=5, fwhm=fwhm, stars=False).frames()
    given = {"weights": "expression", "expression": "max(0, 6 - fwhm) ** 2 * flux_ratio"}
    run = stack_run(Integrate(), frames, **given)
    assert run.column("weight") == pytest.approx([1, 1, 4 / 9, 0, 1 / 9])
    assert run.stack.planes["count"].max() == 4


def test_weights_heed_fwhm_when_the_frames_are_of_several_nights(stack_run: Run) -> None:
    """Nights differ in seeing and focus; within one night noise alone tells, as it always did."""
    frames = Scene(n=6, fwhm=[3.0, 3.0, 3.0, 6.0, 6.0, 6.0], stars=False).frames()
    dusk = datetime(2026, 3, 14, 20, tzinfo=UTC)

    def shot(hours: Sequence[float]) -> list[Frame]:
        return [
            replace(f, info=replace(f.info, start=dusk + timedelta(hours=h)))
            for f, h in zip(frames, hours, strict=True)
        ]

    one = stack_run(Integrate(), shot([0, 1, 2, 3, 4, 9])).column("weight")
    two = stack_run(Integrate(), shot([0, 1, 2, 24, 25, 26])).column("weight")
    by_noise = stack_run(Integrate(), frames, weights="noise").column("weight")
    by_fwhm = stack_run(Integrate(), frames, weights="fwhm").column("weight")
    np.testing.assert_array_equal(one, by_noise)
    np.testing.assert_array_equal(two, by_fwhm)
    assert float(np.mean(two[3:]) / np.mean(two[:3])) == pytest.approx(0.25, rel=0.1)
    unmeasured = shot([0, 1, 2, 24, 25, 26])
    del unmeasured[0].measures["fwhm"]
    np.testing.assert_array_equal(stack_run(Integrate(), unmeasured).column("weight"), by_noise)


def test_weights_by_fwhm(stack_run: Run) -> None:
    fwhm = np.array([3.0, 3.0, 4.0, 6.0, 5.0])
    frames = Scene(n=5, fwhm=fwhm, stars=False).frames()
    weight = stack_run(Integrate(), frames, weights="fwhm").column("weight")
    assert weight == pytest.approx((3 / fwhm) ** 2, rel=0.08)
    frames[2] = replace(frames[2], measures={"flux_ratio": 1.0})
    with pytest.raises(StepError, match=r"fwhm; it is not measured for light-02\.fits"):
        stack_run(Integrate(), frames, weights="fwhm")


@pytest.mark.parametrize("ratio", [0.0, float("nan"), None])
def test_a_frame_without_flux_ratio_is_taken_as_clear(
    stack_run: Run, ratio: float | None, caplog: pytest.LogCaptureFixture
) -> None:
    """As clear as the middle of the others, in proportion to its exposure; and it is said."""
    frames = Scene(n=5, transparency=[1.0, 0.2, 0.8, 0.9, 0.9]).frames()
    measures = {"flux_ratio": ratio} if ratio is not None else {}
    info = replace(frames[1].info, exposure=120.0)
    frames[1] = replace(frames[1], measures=measures, info=info)
    scale = np.array(stack_run(Integrate(), frames).column("flux_scale"))
    assert scale / scale[0] == pytest.approx([1, 1 / 1.8, 1 / 0.8, 1 / 0.9, 1 / 0.9])
    assert "no star flux of light-01.fits is known" in caplog.text


def test_a_frame_without_usable_sky_is_set_aside() -> None:
    f = Scene(n=1).frames()[0]
    gone = f.with_pixels(f.data, np.full(f.shape, Flag.NO_DATA, np.uint8))
    params = {name: spec["default"] for name, spec in Integrate.params.items()}
    with pytest.raises(SetAside, match="too few usable pixels"):
        Integrate().survey(gone, Context(params=params))


def test_resampled_frames_improve_as_much(stack_run: Run) -> None:
    """Sub-pixel shifts smooth the noise of frame and stack alike: the gain is still sqrt(n)."""
    from scipy.ndimage import shift

    frames = []
    for i, f in enumerate(Scene(n=16, stars=False, lift=0, tilt=0).frames()):
        rng = np.random.default_rng(i)
        moved = shift(f.data, rng.integers(-3, 4, 2) + 0.5, order=1, mode="reflect")
        frames.append(f.with_pixels(moved.astype(np.float32)))
    run = stack_run(Integrate(), frames)
    # Half a pixel each way is the mean of four pixels.
    assert run.column("matched_noise") == pytest.approx([20 / 2] * 16, rel=0.05)
    assert run.stack.measures["improvement"] == pytest.approx(4, rel=0.05)
