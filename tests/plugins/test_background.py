"""Background fit on skies whose truth is known."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from coldframe.errors import SetAside
from coldframe.frame import Flag, Frame, FrameInfo
from coldframe.step import Context, FrameStep
from coldframe_steps.background import plugin
from coldframe_steps.background.step import BackgroundFit

SHAPE = (420, 560)
SKY = 1000.0


@dataclass
class Truth:
    frame: Frame
    sky: np.ndarray
    nebula: np.ndarray


def simulate(
    seed=1, *, peak=30.0, soft=True, noise=4.0, stars=250, colour=False, gradient=True
) -> Truth:
    """An invented sky: a strong gradient, a textured nebula over a quarter of it, stars.

    The gradient spans 40% of the sky, the nebula peaks at 3% of it.
    """
    rng = np.random.default_rng(seed)
    height, width = SHAPE
    y, x = np.mgrid[0:height, 0:width]
    ty, tx = 2 * y / height - 1, 2 * x / width - 1
    bend = 0.12 * tx - 0.08 * ty + 0.05 * tx * tx + 0.03 * tx * ty - 0.02 * ty * ty
    sky = SKY * (1 + (bend if gradient else 0 * bend))
    r = np.hypot((y - 0.55 * height) / 118, (x - 0.45 * width) / 132)
    faded, edged = np.exp(-0.5 * (1.95 * r) ** 2), np.clip(1 - (r / 1.15) ** 2, 0, None) ** 1.5
    shape = faded if soft else edged
    texture = ndimage.zoom(rng.normal(0, 1, (height // 20 + 2, width // 20 + 2)), 20, order=3)
    nebula = peak * shape * (1 + 0.25 * texture[:height, :width] * shape)
    light = np.zeros(SHAPE)
    for _ in range(stars):
        cy, cx, flux = rng.uniform(0, height), rng.uniform(0, width), 30 / rng.uniform(0.002, 1)
        y0, y1 = max(0, int(cy) - 25), int(cy) + 26
        x0, x1 = max(0, int(cx) - 25), int(cx) + 26
        part = (slice(y0, y1), slice(x0, x1))
        light[part] += flux * (1 + ((y[part] - cy) ** 2 + (x[part] - cx) ** 2) / 4) ** -2.5
    shares = [(1.3, 1.0), (1.0, 0.5), (0.7, 0.3)] if colour else [(1.0, 1.0)]
    planes = [sky * a + nebula * b + light + rng.normal(0, noise, SHAPE) for a, b in shares]
    skies = [sky * a for a, _ in shares]
    nebulae = [nebula * b for _, b in shares]
    pick = np.stack if colour else (lambda one: one[0])
    data = pick(planes).astype(np.float32)
    frame = Frame(data, np.zeros(SHAPE, np.uint8), FrameInfo(path="stack"))
    return Truth(frame, pick(skies), pick(nebulae))


def run(frame, **params):
    return BackgroundFit().apply(frame, Context(params=params))


def judge(truth, out):
    """Errors of the surface about its error beyond the nebula: nebula's loss, worst residual."""
    error = out.planes["background"] - truth.sky
    error = error - error[truth.nebula < 0.005 * truth.nebula.max()].mean()
    bright = truth.nebula > 0.5 * truth.nebula.max()
    visible = truth.nebula > 0.05 * truth.nebula.max()
    return (
        error[bright].mean() / truth.nebula[bright].mean(),
        error[visible].sum() / truth.nebula[visible].sum(),
        np.ptp(error),
    )


def test_it_is_a_frame_step_with_described_params():
    assert plugin.coldframe_steps() == [BackgroundFit]
    assert issubclass(BackgroundFit, FrameStep)
    for rule in BackgroundFit.params.values():
        assert rule["description"]
        assert "default" in rule


@pytest.mark.parametrize("soft", [True, False])
@pytest.mark.parametrize(
    "params", [{}, {"order": 3}, {"model": "thin-plate"}, {"protect_nebula": 1.0}], ids=str
)
def test_a_large_faint_nebula_is_left_standing(soft, params):
    truth = simulate(soft=soft)
    covered = np.mean(truth.nebula > 0.05 * truth.nebula.max())
    assert 0.2 < covered < 0.32
    bright, total, residual = judge(truth, run(truth.frame, **params))
    # Surface brightness kept to 2%: what the project promises.
    assert abs(bright) < 0.02
    assert abs(total) < 0.02
    # Of a gradient of 400 ADU less than 0.5% stays.
    assert residual < 2.0


def test_without_protection_the_nebula_is_eaten():
    truth = simulate(soft=True)
    assert judge(truth, run(truth.frame, protect_nebula=0.0))[1] > 0.04
    assert judge(truth, run(truth.frame, protect_nebula=0.5))[1] < 0.02


@pytest.mark.parametrize("order", [1, 2, 3, 4])
def test_sky_without_nebula_becomes_flat(order):
    truth = simulate(peak=0.0, gradient=order > 1)
    out = run(truth.frame, order=order)
    error = out.planes["background"] - truth.sky
    assert np.std(error) < 0.25
    assert abs(error.mean()) < 0.5  # faint stars and halos, unresolved, count as sky
    assert out.measures["samples"] > 400
    assert out.measures["background_rms"] < 1.0
    assert out.measures["background_range"] == pytest.approx(np.ptp(truth.sky), abs=3)


def test_colours_have_their_own_surfaces_and_one_sample_mask():
    truth = simulate(colour=True)
    out = run(truth.frame)
    assert out.planes["background"].shape == out.data.shape == (3, *SHAPE)
    for c in range(3):
        part = Truth(truth.frame, truth.sky[c], truth.nebula[c])
        single = replace(out, data=out.data[c], planes={"background": out.planes["background"][c]})
        bright, _, residual = judge(part, single)
        assert residual < 2
        # A nebula of a few per cent of the sky is kept to 2%, a fainter one to a quarter ADU.
        assert abs(bright) < max(0.02, 0.25 / part.nebula.max())
    # The nebula is faint in the last colour; masked for the first, it is masked for all.
    alone = run(replace(truth.frame, data=truth.frame.data[2]))
    assert out.measures["samples"] <= alone.measures["samples"]


def test_thin_plate_follows_what_a_polynomial_cannot():
    truth = simulate(peak=0.0)
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    lamp = 25 * np.exp(-((y - 420) ** 2 + (x - 560) ** 2) / 250.0**2)  # a street lamp's glow
    lamp += 10 * np.tanh((x - 200) / 150)
    frame = replace(truth.frame, data=(truth.frame.data + lamp).astype(np.float32))
    left = {}
    for model in ("polynomial", "thin-plate"):
        background = run(frame, model=model, protect_nebula=0.0).planes["background"]
        left[model] = np.std(background - truth.sky - lamp)
    assert left["thin-plate"] < 0.5
    assert left["thin-plate"] < 0.5 * left["polynomial"]


def test_divide_takes_out_what_a_flat_left():
    rng = np.random.default_rng(4)
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    shape = 1 - 0.1 * (((y - 210) / 300) ** 2 + ((x - 280) / 300) ** 2)
    truth = SKY * np.ones(SHAPE)
    truth[100:110, 100:110] += 500  # an object that must come out alike wherever it is
    truth[300:310, 500:510] += 500
    data = (truth * shape + rng.normal(0, 3, SHAPE)).astype(np.float32)
    variance = np.full(SHAPE, 9, np.float32)
    frame = Frame(data, np.zeros(SHAPE, np.uint8), FrameInfo(), planes={"variance": variance})
    out = run(frame, remove_by="divide")
    objects = [out.data[100:110, 100:110].mean(), out.data[300:310, 500:510].mean()]
    assert objects[0] == pytest.approx(objects[1], rel=0.003)
    level = np.median(out.data)
    np.testing.assert_allclose(
        out.planes["variance"], 9 * (level / out.planes["background"]) ** 2, rtol=0.01
    )
    bare = run(frame, remove_by="divide", keep_level=False)
    assert abs(np.median(bare.data)) < 0.5


def test_level_is_kept_or_not():
    truth = simulate(peak=0.0)
    kept, bare = run(truth.frame), run(truth.frame, keep_level=False)
    assert np.median(kept.data) == pytest.approx(np.median(truth.sky), rel=0.01)
    assert abs(np.median(bare.data)) < 1
    np.testing.assert_allclose(bare.data, truth.frame.data - bare.planes["background"], atol=0.01)


def test_rims_without_data_are_neither_sampled_nor_touched():
    truth = simulate(peak=0.0)
    data, flags = truth.frame.data.copy(), truth.frame.flags.copy()
    rim = np.ones(SHAPE, bool)
    rim[60:, 90:] = False
    data[rim], flags[rim] = 0, Flag.NO_DATA
    frame = replace(truth.frame, data=data, flags=flags)
    out = run(frame)
    assert (out.data[rim] == 0).all()
    assert np.array_equal(out.flags, flags)
    assert np.abs((out.planes["background"] - truth.sky)[~rim]).max() < 1.5
    within = truth.sky[~rim]
    assert out.measures["background_range"] == pytest.approx(np.ptp(within), abs=3)


def test_flagged_stars_and_trails_are_not_sky():
    truth = simulate(peak=0.0, stars=0)
    data, flags = truth.frame.data.copy(), truth.frame.flags.copy()
    data[:, 100:140] += 400
    flags[:, 100:140] = Flag.TRANSIENT
    data[200:260, 300:420] = 60000
    flags[200:260, 300:420] = Flag.SATURATED
    out = run(replace(truth.frame, data=data, flags=flags), protect_nebula=0.0)
    assert np.abs(out.planes["background"] - truth.sky).max() < 1


def test_target_is_kept_out_whatever_its_brightness():
    truth = simulate(peak=0.0)
    free = run(truth.frame)
    kept = run(truth.frame, exclude_circle=[0.5, 0.5, 0.3])
    cells = np.pi * (0.3 * 420) ** 2 / (420 * 560 / 768)
    assert kept.measures["samples"] == pytest.approx(free.measures["samples"] - cells, abs=45)
    assert np.std(kept.planes["background"] - truth.sky) < 0.3


def test_history_and_inputs():
    truth = simulate(peak=0.0)
    before = truth.frame.data.copy()
    truth.frame.data.flags.writeable = False
    out = run(truth.frame, model="thin-plate")
    assert np.array_equal(truth.frame.data, before)
    assert "thin-plate spline of stiffness 0.001" in out.history[-1]
    assert f"{out.measures['samples']:.0f} of 768 samples" in out.history[-1]


def test_a_mosaic_is_refused():
    frame = Frame(np.ones(SHAPE, np.float32), np.zeros(SHAPE, np.uint8), FrameInfo(cfa="RGGB"))
    with pytest.raises(SetAside, match="demosaic"):
        run(frame)


def test_too_little_sky_is_said():
    flags = np.full(SHAPE, Flag.NO_DATA, np.uint8)
    flags[:50, :50] = 0
    frame = Frame(np.ones(SHAPE, np.float32), flags, FrameInfo(path="night/stack"))
    with pytest.raises(SetAside, match=r"stack: \d+ sky samples outside .* at least 45 are"):
        run(frame, order=4)
    truth = simulate()
    with pytest.raises(SetAside, match=r"stack: 0 sky samples"):
        run(truth.frame, exclude_circle=[0.5, 0.5, 5.0])


def test_a_line_of_sky_makes_no_surface():
    truth = simulate(peak=0.0)
    flags = np.full(SHAPE, Flag.NO_DATA, np.uint8)
    flags[200:220] = 0
    with pytest.raises(SetAside, match="in a line"):
        run(replace(truth.frame, flags=flags), order=2)


def test_division_by_nothing_is_refused():
    truth = simulate(peak=0.0)
    frame = replace(truth.frame, data=truth.frame.data - np.float32(1000))
    with pytest.raises(SetAside, match="cannot be divided by"):
        run(frame, remove_by="divide")


def test_a_perfectly_smooth_frame_is_no_trouble():
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    plane = (500 + 0.1 * x - 0.05 * y).astype(np.float32)
    out = run(Frame(plane, np.zeros(SHAPE, np.uint8), FrameInfo()))
    assert np.ptp(out.data) < 0.01


@settings(deadline=None, max_examples=6)
@given(
    st.integers(0, 1000),
    st.tuples(st.floats(-0.3, 0.3), st.floats(-0.3, 0.3)),
    st.sampled_from([{}, {"model": "thin-plate"}]),
)
def test_a_plane_more_changes_the_surface_and_not_the_picture(seed, slope, params):
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:160, 0:200]
    plane = slope[0] * y + slope[1] * x
    data = rng.normal(500, 3, (160, 200)) + 200 * np.exp(-((y - 80) ** 2 + (x - 90) ** 2) / 9)
    flags = rng.choice(np.array([0, 0, 0, 0, 0, 1, 8, 16, 64], np.uint8), data.shape)
    outs = [
        run(
            Frame(d.astype(np.float32), flags, FrameInfo()),
            keep_level=False,
            patches_across=12,
            **params,
        )
        for d in (data, data + plane)
    ]
    there = flags & Flag.NO_DATA == 0
    assert np.abs(outs[0].data - outs[1].data)[there].max() < 0.8
    for out in outs:
        assert np.array_equal(out.flags, flags)
        assert np.isfinite(out.data).all()
