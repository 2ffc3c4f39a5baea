"""The demo's scores: a perfect stack scores as perfect, and each fault shows in its own number."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from coldframe.demo.night import invent
from coldframe.demo.run_score import score_run
from coldframe.demo.score import COLUMNS, score, summary
from coldframe.demo.stage import best_variance, nebula_image, set_stage, star_image
from coldframe.errors import StepError
from coldframe.frame import Flag, Frame, FrameInfo
from coldframe.report.record import FrameRecord, ProductRecord, RunRecord

GAIN = 0.8


@pytest.fixture(scope="module")
def truth():
    return invent("mono", "small", 4).truth


@pytest.fixture(scope="module")
def names(truth):
    return [n for n, s in truth.lights.items() if s.band == 0 and not s.view.hopeless]


@pytest.fixture(scope="module")
def parts(truth, names):
    """A perfect stack's ingredients in the geometry of the third light, e-/s, and its scale."""
    shot = truth.lights[names[2]]
    lens = shot.view.projection
    stage = set_stage(_stars_only(truth, lens), truth, names, None)
    y, x = np.mgrid[: truth.shape[0], : truth.shape[1]].astype(float)
    glow = shot.view.glow
    sky = glow.level[0] * glow.relative(*lens.to_sky(y, x)) / shot.view.transparency
    rng = np.random.default_rng(11)
    noise = np.sqrt(best_variance(stage, 0)) * rng.standard_normal(truth.shape)
    response = truth.optics.response(truth.shape, truth.dust)
    seen = response[200:600, 300:900].mean(dtype=float)  # flats are scaled by their middle
    scale = shot.exposure * shot.view.transparency * seen / GAIN
    return {
        "stage": stage,
        "stars": star_image(stage, 0),
        "nebula": nebula_image(stage, 0),
        "sky": sky,
        "noise": noise,
        "scale": scale,
    }


def _stars_only(truth, lens):
    from coldframe.demo.render import add_stars
    from coldframe.demo.sky import Psf

    image = np.random.default_rng(1).normal(0, 0.1, truth.shape).astype(np.float32)
    add_stars(image, np.zeros((2, 2), int), lens, truth.stars, Psf(3.3))
    return as_frame(image)


def as_frame(data):
    data = np.asarray(data, dtype=np.float32)
    return Frame(data, np.zeros(data.shape[-2:], np.uint8), FrameInfo())


def judge(truth, names, parts, *, light=None, final=None, weights=None):
    p = parts
    stack = p["scale"] * (
        p["stars"] + p["nebula"] + p["sky"] + p["noise"] if light is None else light
    )
    ended = p["scale"] * (p["stars"] + p["nebula"] + p["noise"] if final is None else final)
    return score(as_frame(stack), as_frame(ended), truth, names, weights)


@pytest.fixture(scope="module")
def perfect(truth, names, parts):
    return judge(truth, names, parts)


def test_a_perfect_stack_is_perfect(perfect, parts, names):
    assert parts["stage"].reference == names[2]
    assert perfect["noise_ratio"] == pytest.approx(1, abs=4 * perfect["noise_error"])
    assert perfect["noise_error"] < 0.02
    assert abs(perfect["photometry_bias"]) < max(4 * perfect["photometry_error"], 0.3)
    assert abs(perfect["photometry_faint"]) < 4 * perfect["photometry_faint_error"]
    assert perfect["astrometry_rms"] < 0.1
    assert perfect["astrometry_field"] < 0.02
    assert abs(perfect["vignetting"]) < 0.1
    assert perfect["trails"] == 2
    assert perfect["trail_residual"] < 0.6
    assert abs(perfect["nebula_error"]) < 0.5
    assert perfect["hopeless_used"] == 0
    assert set(perfect) == set(COLUMNS) - {"scale_rms"}


def test_more_noise_shows(truth, names, parts, perfect):
    p = parts
    seen = judge(truth, names, p, light=p["stars"] + p["nebula"] + p["sky"] + 1.3 * p["noise"])
    assert seen["noise_ratio"] / perfect["noise_ratio"] == pytest.approx(1.3, rel=0.01)


def test_smoothing_does_not_hide_noise(truth, names, parts, perfect):
    """A blur like that of resampling makes pixels quieter, but not the figure."""
    p = parts
    noise = ndimage.gaussian_filter(p["noise"], 0.5)
    assert noise.std() < 0.75 * p["noise"].std()
    seen = judge(truth, names, p, light=p["stars"] + p["nebula"] + p["sky"] + noise)
    assert seen["noise_ratio"] == pytest.approx(perfect["noise_ratio"], rel=0.015)


def test_a_tilted_sky_is_no_noise(truth, names, parts, perfect):
    p = parts
    y, x = np.ogrid[: truth.shape[0], : truth.shape[1]]
    tilt = 0.5 * y / truth.shape[0] - 0.7 * x / truth.shape[1] + 0.2 * (x / truth.shape[1]) ** 2
    seen = judge(truth, names, p, light=p["stars"] + p["nebula"] + p["sky"] + p["noise"] + tilt)
    assert seen["noise_ratio"] == pytest.approx(perfect["noise_ratio"], rel=0.002)


def test_dimmed_stars_show(truth, names, parts, perfect):
    p = parts
    seen = judge(truth, names, p, light=0.98 * p["stars"] + p["nebula"] + p["sky"] + p["noise"])
    assert seen["photometry_bias"] - perfect["photometry_bias"] == pytest.approx(-2, abs=0.1)


def test_faint_stars_cut_off_show(truth, names, parts, perfect):
    p = parts
    rate = truth.stars.rate * np.where(truth.stars.rate < 500, 0.96, 1.0)
    dimmer = replace(truth, stars=replace(truth.stars, rate=rate))
    dim = star_image(replace(p["stage"], truth=dimmer), 0)
    seen = judge(truth, names, p, light=dim + p["nebula"] + p["sky"] + p["noise"])
    change = seen["photometry_faint"] - perfect["photometry_faint"]
    assert change < -5 * perfect["photometry_faint_error"]


@pytest.mark.parametrize("shift", [(0.2, 0.0), (0.0, -0.15)])
def test_shifted_stars_show(truth, names, parts, shift):
    p = parts
    stars = ndimage.shift(p["stars"].astype(float), shift, order=3)
    seen = judge(truth, names, p, light=stars + p["nebula"] + p["sky"] + p["noise"])
    assert seen["astrometry_field"] == pytest.approx(np.hypot(*shift), abs=0.03)
    assert seen["astrometry_rms"] > np.hypot(*shift) - 0.02


def test_a_missing_flat_shows_as_vignetting(truth, names, parts):
    p = parts
    y, x = np.ogrid[: truth.shape[0], : truth.shape[1]]
    shade = truth.optics.shading(truth.shape, y, x)
    seen = judge(truth, names, p, light=(p["stars"] + p["nebula"] + p["sky"]) * shade + p["noise"])
    corner = 1 - truth.optics.shading(truth.shape, 0, 0)
    assert seen["vignetting"] == pytest.approx(100 * corner, rel=0.05)


def test_half_a_per_cent_of_vignetting_shows(truth, names, parts, perfect):
    p = parts
    y, x = np.ogrid[: truth.shape[0], : truth.shape[1]]
    shade = 1 - truth.optics.shading(truth.shape, y, x)
    shade = 1 - 0.005 * shade / shade.max()
    seen = judge(truth, names, p, light=(p["stars"] + p["nebula"] + p["sky"]) * shade + p["noise"])
    assert seen["vignetting"] - perfect["vignetting"] == pytest.approx(0.5, abs=0.1)


def test_a_trail_left_in_shows(truth, names, parts):
    from coldframe.demo.render import add_trail

    p = parts
    shot = next(s for n, s in truth.lights.items() if n in names and s.view.trails)
    drawn = np.zeros(truth.shape, np.float32)
    sigma = float(np.median(np.sqrt(best_variance(p["stage"], 0))))
    for trail in shot.view.trails:
        add_trail(drawn, np.zeros((2, 2), int), replace(trail, peak=(3 * sigma,), period=0.0))
    y, x = np.mgrid[: truth.shape[0], : truth.shape[1]].astype(float)
    here = shot.view.projection.to_pixel(*p["stage"].projection.to_sky(y, x))
    left = ndimage.map_coordinates(drawn, here, order=1)
    seen = judge(truth, names, p, light=p["stars"] + p["nebula"] + p["sky"] + p["noise"] + left)
    assert seen["trail_residual"] > 2


@pytest.mark.parametrize("share", [0.9, 1.05])
def test_an_eaten_nebula_shows(truth, names, parts, perfect, share):
    p = parts
    seen = judge(truth, names, p, final=p["stars"] + share * p["nebula"] + p["noise"])
    assert seen["nebula_error"] - perfect["nebula_error"] == pytest.approx(
        100 * share - 100, abs=0.3
    )


def test_flagged_pixels_do_not_count(truth, names, parts, perfect):
    p = parts
    light = (p["scale"] * (p["stars"] + p["nebula"] + p["sky"] + p["noise"])).astype(np.float32)
    flags = np.zeros(truth.shape, np.uint8)
    light[100:140, 200:600] = 1e6
    flags[100:140, 200:600] = Flag.NO_DATA
    seen = score(Frame(light, flags, FrameInfo()), None, truth, names)
    assert seen["noise_ratio"] == pytest.approx(perfect["noise_ratio"], rel=0.02)
    assert abs(seen["photometry_bias"]) < 0.5
    assert seen["astrometry_rms"] < 0.1
    assert abs(seen["vignetting"]) < 0.1
    assert "nebula_error" not in seen


def test_no_absolute_brightness_without_its_frame(truth, names, parts):
    p = parts
    stack = as_frame(p["scale"] * (p["stars"] + p["nebula"] + p["sky"] + p["noise"]))
    others = [n for n in names if n != names[2]]
    seen = score(stack, None, truth, others)
    assert "photometry_bias" not in seen
    assert "photometry_faint" in seen
    named = score(stack, None, truth, others, scale_frame=others[0])
    ratio = truth.lights[names[2]].view.transparency / truth.lights[others[0]].view.transparency
    assert named["photometry_bias"] == pytest.approx(100 * (ratio - 1), abs=0.4)


def test_scales_say_how_bright_the_stack_should_be(truth, names, parts, perfect):
    p = parts
    stack = as_frame(p["scale"] * (p["stars"] + p["nebula"] + p["sky"] + p["noise"]))
    clear = {n: truth.lights[n].view.transparency for n in names}
    scales = {n: clear[names[2]] / t for n, t in clear.items()}
    seen = score(stack, None, truth, names, scales=scales)
    assert seen["photometry_bias"] == pytest.approx(perfect["photometry_bias"], abs=1e-6)
    assert seen["scale_rms"] == pytest.approx(0, abs=1e-6)
    # Frames that were scaled wrongly make the stack brighter, which is no fault of its stars.
    off = {n: s * (1.02 if i % 2 else 1.0) for i, (n, s) in enumerate(scales.items())}
    seen = score(stack, None, truth, names, scales=off)
    assert seen["photometry_bias"] - perfect["photometry_bias"] == pytest.approx(-1, abs=0.2)
    assert seen["scale_rms"] == pytest.approx(1, abs=0.05)


def test_flats_scaled_over_the_whole_frame_are_allowed_for(truth, names, parts, perfect):
    p = parts
    stack = as_frame(p["scale"] * (p["stars"] + p["nebula"] + p["sky"] + p["noise"]))
    response = truth.optics.response(truth.shape, truth.dust)
    ratio = response[200:600, 300:900].mean(dtype=float) / response.mean(dtype=float)
    seen = score(stack, None, truth, names, flat_middle=1.0)
    expected = 100 * (ratio * (1 + perfect["photometry_bias"] / 100) - 1)
    assert seen["photometry_bias"] == pytest.approx(expected, abs=1e-6)


def test_the_summary_says_it_in_words(perfect):
    text = "\n".join(summary(perfect))
    assert f"Noise: {perfect['noise_ratio']:.2f} × the theoretical best" in text
    assert "Nebula" in text
    assert "thick cloud" not in text
    assert "thick cloud" in summary({**perfect, "hopeless_used": 1.0})[0]
    assert summary({"frames_used": 3.0, "hopeless_used": 0.0}) == ["Frames: 3 used"]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ("names", "not a light frame"),
        ("none", "none given"),
        ("filters", "several filters"),
        ("size", "pixels large"),
        ("colours", "colours"),
        ("empty", "too few stars"),
        ("elsewhere", "no light frame"),
    ],
)
def test_a_stack_of_something_else_is_refused(truth, names, parts, change, message):
    light = parts["scale"] * (parts["stars"] + parts["sky"] + parts["noise"])
    used = list(names)
    if change == "names":
        used = ["elsewhere.fits"]
    elif change == "none":
        used = []
    elif change == "filters":
        used = list(truth.lights)
    elif change == "size":
        light = light[:-2]
    elif change == "colours":
        light = np.stack([light] * 3)
    elif change == "empty":
        light = parts["noise"]
    else:
        light = np.rot90(light, 2)[:, ::-1]
    with pytest.raises(StepError, match=message):
        score(as_frame(light), None, truth, used)


def test_a_finished_run_is_scored_stack_by_stack(truth, names, parts, perfect):
    p = parts
    pixels = {
        "s": as_frame(p["scale"] * (p["stars"] + p["nebula"] + p["sky"] + p["noise"])),
        "f": as_frame(p["scale"] * (p["stars"] + p["nebula"] + p["noise"])),
    }
    clear = {n: truth.lights[n].view.transparency for n in names}
    frames = [
        FrameRecord(
            n,
            FrameInfo(path=f"/night/{n}"),
            {"weight": 1.0, "flux_scale": clear[names[2]] / clear[n]},
            True,
        )
        for n in names
    ]
    products = [
        ProductRecord(key, "any", use, "L", FrameInfo(), {}, tuple(names))
        for key, use in (("s", "integrate"), ("f", "background-fit"))
    ]
    record = RunRecord(
        recipe="r",
        about="",
        why_recipe="",
        nights=(),
        frames=frames,
        masters=(),
        products=products,
        columns={},
        warnings=(),
        timings={},
        versions={},
        steps=(),
        elapsed=0.0,
        read=pixels.get,
    )
    (found,) = score_run(record, truth).items()
    assert found[0] == "L"
    assert found[1].pop("scale_rms") == pytest.approx(0, abs=1e-6)
    assert found[1] == pytest.approx(perfect, rel=1e-6, abs=1e-9)
    with pytest.raises(StepError, match="no longer in the store"):
        score_run(replace(record, read=lambda key: None), truth)
    with pytest.raises(StepError, match="no product of a step 'integrate'"):
        score_run(replace(record, products=()), truth)
