"""Each number of the proof against simulated truth."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from coldframe.demo.optics import Dust, Optics
from coldframe.evidence.depth import choices, curve, sizes
from coldframe.evidence.dust import block_size, blocks_of, depth_in, find_shadows
from coldframe.evidence.fixed import floors
from coldframe.evidence.pattern import Profiles, hot_pixels
from coldframe.evidence.samples import Samples
from coldframe.evidence.shape import box_levels, fit_shape
from coldframe.evidence.stars import centres, find_stars
from coldframe.evidence.surface import surface
from coldframe.evidence.thumb import thumb
from coldframe.evidence.trails import find_trails
from coldframe.frame import Flag, Frame, FrameInfo, Kind
from coldframe.specs import StepCall
from coldframe.step import StackStep

SHAPE = (400, 600)
OPTICS = Optics("lens", 135.0, 2.8, 9.1, 0.18, (2.0, -3.0), 0.0)
DUST = (
    Dust(90, 120, 22, 0, 0.05),
    Dust(200, 430, 16, 0, 0.03),
    Dust(300, 200, 26, 8, 0.06),
    Dust(120, 330, 12, 0, 0.08),
)


def true_falloff() -> float:
    y, x = np.array([0, 0, SHAPE[0] - 1, SHAPE[0] - 1]), np.array([0, SHAPE[1] - 1] * 2)
    return float(1 - OPTICS.shading(SHAPE, y, x).mean())


def with_stars(rng, image, count=150, sigma=1.4):
    layer = np.zeros(image.shape)
    y, x = (rng.integers(0, size, count) for size in image.shape)
    layer[y, x] = rng.pareto(1.2, count) * 3000
    return image + ndimage.gaussian_filter(layer, sigma)


def test_stripes_of_rows_and_columns_in_noisy_lights_of_a_mosaic():
    rng = np.random.default_rng(2)
    rows, columns = rng.normal(0, 3.0, (SHAPE[0], 1)), rng.normal(0, 2.0, (1, SHAPE[1]))
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    sky = 900 + 200 * np.exp(-((y - 200) ** 2 + (x - 300) ** 2) / 8000) + 0.3 * y
    sky = sky * np.tile([[0.7, 1.0], [1.0, 0.8]], (SHAPE[0] // 2, SHAPE[1] // 2))
    lines, clean = Profiles(True), Profiles(True)
    flags = np.zeros(SHAPE, np.uint8)
    for _ in range(4):
        light = with_stars(rng, sky) + rng.normal(0, 20, SHAPE)
        clean.add(light.astype(np.float32), flags)
        lines.add((light + rows + columns).astype(np.float32), flags)
    assert lines.noise == pytest.approx(20, rel=0.1)
    assert lines.stripes(0).sigma == pytest.approx(3.0, rel=0.15)
    assert lines.stripes(1).sigma == pytest.approx(2.0, rel=0.2)
    assert lines.stripes(0).seen
    for axis in (0, 1):
        left = clean.stripes(axis)
        assert not left.seen
        assert left.sigma**2 < 2 * left.error


def test_stripes_without_noise_are_exact():
    rng = np.random.default_rng(5)
    rows = rng.normal(0, 1.0, (4000, 1))
    lines = Profiles(False)
    lines.add((100 + rows + np.zeros((1, 60))).astype(np.float32), np.zeros((4000, 60), np.uint8))
    assert lines.stripes(0).sigma == pytest.approx(float(rows.std()), rel=0.05)
    assert lines.stripes(1).sigma == pytest.approx(0, abs=1e-3)


@pytest.mark.parametrize("cfa", [True, False])
def test_hot_pixels_are_counted_where_they_are(cfa):
    rng = np.random.default_rng(3)
    sky = (
        np.tile([[500.0, 900.0], [900.0, 400.0]], (100, 150)) if cfa else np.full((200, 300), 700.0)
    )
    clean = sky + rng.normal(0, 10, sky.shape)
    flags = np.zeros(sky.shape, np.uint8)
    places = rng.choice(sky.size, 400, replace=False)
    flags.ravel()[places] = Flag.HOT
    excess = np.zeros(sky.size)
    excess[places[:250]] = 800  # 250 that show, 150 too faint to
    raw = clean + excess.reshape(sky.shape)
    left = clean.copy()
    left.ravel()[places[:30]] += 300  # 30 that calibration did not get rid of
    found = hot_pixels([(raw, left, flags)], cfa)
    assert found.count == 400
    assert found.seen == pytest.approx(250, abs=4)
    assert found.left == pytest.approx(30, abs=4)
    assert found.excess == pytest.approx(800, abs=10)
    assert hot_pixels([(raw, left, flags * 0)], cfa) is None


def test_vignetting_of_a_flat_and_of_a_sky_with_gradient_nebula_and_stars():
    rng = np.random.default_rng(4)
    shading = OPTICS.response(SHAPE, ())
    flat = fit_shape(box_levels(shading), 4.0)
    assert flat.falloff == pytest.approx(true_falloff(), rel=0.03)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    glow = 1000 + 60 * (y / SHAPE[0] - 0.5) - 40 * (x / SHAPE[1] - 0.5)
    nebula = 150 * np.exp(-((y - 180) ** 2 + (x - 380) ** 2) / 3000)
    sky = with_stars(rng, (glow + nebula) * shading) + rng.normal(0, 30, SHAPE)
    found = fit_shape(box_levels(sky.astype(np.float32), np.zeros(SHAPE, np.uint8)))
    assert found.falloff == pytest.approx(true_falloff(), abs=0.015)
    even = with_stars(rng, glow + nebula) + rng.normal(0, 30, SHAPE)
    found = fit_shape(box_levels(even.astype(np.float32), np.zeros(SHAPE, np.uint8)))
    assert found.falloff == pytest.approx(0, abs=0.015)
    assert found.level == pytest.approx(1000, rel=0.01)
    assert found.tilt == pytest.approx(100, rel=0.1)  # 60 down and 40 across


def test_gradient_before_and_after_it_is_taken_off():
    rng = np.random.default_rng(6)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    noise = rng.normal(0, 20, (3, *SHAPE))
    slope = 90 * (y / SHAPE[0] - 0.5) + 30 * (x / SHAPE[1] - 0.5)
    flags = np.zeros(SHAPE, np.uint8)
    tilted = surface(Frame((500 + slope + noise).astype(np.float32), flags, FrameInfo()))
    even = surface(Frame((500 + noise).astype(np.float32), flags, FrameInfo()))
    assert tilted["tilt"][0] == pytest.approx(120, rel=0.05)
    assert even["tilt"][0] < 4
    assert even["sky"][0] == pytest.approx(500, rel=0.005)
    assert tilted["boxes"].shape == (16, 24)


def test_boxes_without_enough_pixels_are_not_known():
    flags = np.zeros(SHAPE, np.uint8)
    flags[:200] = Flag.NO_DATA
    levels = box_levels(np.full(SHAPE, 7.0, np.float32), flags)
    assert np.isnan(levels[:7]).all()
    assert (levels[9:] == 7).all()
    assert fit_shape(np.full((16, 24), np.nan)) is None


def test_every_dust_shadow_is_found_with_its_place_and_depth():
    rng = np.random.default_rng(7)
    mosaic = np.tile([[0.6, 1.0], [1.0, 0.8]], (SHAPE[0] // 2, SHAPE[1] // 2))
    flat = 30000 * mosaic * OPTICS.response(SHAPE, DUST) * (1 + rng.normal(0, 0.004, SHAPE))
    found = find_shadows(flat.astype(np.float32), True)
    assert len(found.depth) == len(DUST)
    for dust in DUST:
        place = int(np.argmin(np.hypot(found.y - dust.y, found.x - dust.x)))
        assert math.hypot(found.y[place] - dust.y, found.x[place] - dust.x) < 3
        assert found.depth[place] == pytest.approx(dust.depth, rel=0.15)
        area = math.pi * (dust.outer**2 - dust.inner**2)
        assert found.size[place] == pytest.approx(area, rel=0.2)
    assert not len(
        find_shadows((30000 * OPTICS.response(SHAPE, ())).astype(np.float32), False).depth
    )


@pytest.mark.parametrize("share", [1.0, 0.5, 0.0])
def test_depth_of_shadows_left_in_lights(share):
    rng = np.random.default_rng(8)
    response = OPTICS.response(SHAPE, DUST)
    flat = (30000 * response * (1 + rng.normal(0, 0.002, SHAPE))).astype(np.float32)
    shadows = find_shadows(flat, False)
    block = block_size(SHAPE)
    maps, flags = [], np.zeros(SHAPE, np.uint8)
    shape = OPTICS.response(SHAPE, ())
    for _ in range(5):
        light = with_stars(rng, 1500 * (1 - share * (1 - response / shape))) + rng.normal(
            0, 40, SHAPE
        )
        maps.append(blocks_of(light.astype(np.float32), flags, block, False))
    mean, error = depth_in(shadows, maps, blocks_of(flat, None, block, False))
    assert abs(mean - share) < max(4 * error, 0.05)
    assert error < 0.12


def test_floor_of_masters_is_what_their_noise_does_to_every_light():
    rng = np.random.default_rng(9)
    shape, noise = (300, 300), {"bias": 2.0, "dark": 3.0, "flat": 60.0}
    scale, sky, level = 1.6, 800.0, 20000.0

    def master(kind, value, black):
        data = np.full(shape, value, np.float32)
        planes = {"variance": np.full(shape, noise[kind] ** 2, np.float32)}
        info = FrameInfo(kind=Kind(kind), black=black)
        return Frame(data, np.zeros(shape, np.uint8), info, planes)

    masters = {
        "bias": master("bias", 500, None),
        "dark": master("dark", 560, None),
        "flat": master("flat", level, (0.0,)),
    }
    found = floors(masters, scale, np.array([sky]), False)
    # The same by drawing masters: (raw - b - k (d - b)) F0 / F with raw the same every time.
    b, d, flat = (masters[k].data + rng.normal(0, noise[k], shape) for k in noise)
    for kind in noise:
        drawn = {
            "bias": 500.0,
            "dark": 560.0,
            "flat": level,
            kind: {"bias": b, "dark": d, "flat": flat}[kind],
        }
        raw = 500 + scale * 60 + sky
        light = (
            (raw - drawn["bias"] - scale * (drawn["dark"] - drawn["bias"])) * level / drawn["flat"]
        )
        assert found[f"floor_{kind}"] == pytest.approx(float(np.std(light)), rel=0.02)
    alone = floors({"bias": masters["bias"]}, 1.0, np.array([sky]), False)
    assert alone == {"floor_bias": pytest.approx(2.0)}
    clean = {**masters, "dark": replace(masters["dark"], info=FrameInfo(black=(0.0,)))}
    assert floors(clean, scale, np.array([sky]), False)["floor_bias"] == pytest.approx(2.0)


class Weighted(StackStep):
    """A weighted mean, for samples in memory."""

    name = "weighted"

    def reduce(self, tile, ctx):
        weight = ctx.decision["weight"][:, None, None]
        data = (tile.data * weight).sum(axis=0) / weight.sum()
        return {"data": data.astype(np.float32), "flags": tile.flags[0]}


class Call(StepCall):
    def make(self):
        return Weighted()


def samples_of(rng, sigmas, common=0.0, side=64):
    n = len(sigmas)
    data = rng.normal(0, 1, (6, 1, n, side, side)) * np.asarray(sigmas)[:, None, None]
    data += rng.normal(0, 1, (6, 1, 1, side, side)) * common
    return Samples(
        data.astype(np.float32),
        np.zeros((6, n, side, side), np.uint8),
        tuple(range(6)),
        tuple(range(6)),
        Call("stack", "weighted", "1", {}),
        {"weight": np.asarray(sigmas) ** -2.0},
    )


def test_noise_falls_as_one_over_root_n_for_equal_and_unequal_lights():
    for sigmas in (np.full(16, 10.0), np.linspace(6, 20, 16)):
        found = curve(samples_of(np.random.default_rng(1), sigmas), np.random.default_rng(1))
        usual = float(np.mean(sigmas**-2.0)) ** -0.5
        assert found["frames"].tolist() == [1, 2, 4, 8, 16]
        np.testing.assert_allclose(found["noise"], usual / np.sqrt(found["frames"]), rtol=0.06)
        assert found["noise"][-1] == pytest.approx(float(np.sum(sigmas**-2.0)) ** -0.5, rel=0.03)


def test_noise_that_all_lights_share_stays():
    found = curve(
        samples_of(np.random.default_rng(2), np.full(32, 10.0), 3.0), np.random.default_rng(1)
    )
    np.testing.assert_allclose(found["noise"], np.sqrt(100 / found["frames"] + 9), rtol=0.04)


def test_choices_hold_no_light_twice_and_differ():
    rng = np.random.default_rng(0)
    assert sizes(1) == [1]
    assert sizes(7) == [1, 2, 4, 7]
    for size in sizes(13):
        found = list(choices(13, size, rng))
        assert all(len(set(one.tolist())) == size for one in found)
        assert len(found) == {1: 13, 2: 6, 4: 6, 8: 4, 13: 1}[size]
    assert len(list(choices(13, 1, rng))) == 13
    assert len(list(choices(100, 1, rng))) == 16


def stars_at(places, noise=0.0, seed=1, shape=(300, 400)):
    y, x = np.mgrid[: shape[0], : shape[1]]
    image = np.full(shape, 100.0)
    for sy, sx in places:
        near = np.s_[max(0, int(sy) - 9) : int(sy) + 10, max(0, int(sx) - 9) : int(sx) + 10]
        image[near] += 2000 * np.exp(-((y[near] - sy) ** 2 + (x[near] - sx) ** 2) / (2 * 1.3**2))
    image += np.random.default_rng(seed).normal(0, noise, shape)
    return Frame(image.astype(np.float32), np.zeros(shape, np.uint8), FrameInfo())


def test_stars_lie_where_they_were_put_and_move_as_they_were_moved():
    rng = np.random.default_rng(3)
    grid = np.stack(np.meshgrid(np.arange(40, 280, 48), np.arange(40, 370, 48), indexing="ij"), -1)
    places = grid.reshape(-1, 2) + rng.uniform(-3, 3, (grid.size // 2, 2))
    stack = stars_at(places, 2.0)
    found = find_stars(stack)
    assert len(found) == len(places)
    order = np.argmin(np.hypot(*(found[:, None] - places[None]).transpose(2, 0, 1)), axis=1)
    true = places[order]
    np.testing.assert_allclose(centres(stack, found), true, atol=0.02)
    # A field that turns and grows a little about its middle.
    field = (true - [150, 200]) @ np.array([[0.002, -0.001], [0.001, 0.002]]) + [0.2, -0.1]
    light = stars_at(true + field, 2.0, seed=9)
    np.testing.assert_allclose(centres(light, found) - centres(stack, found), field, atol=0.03)


def test_saturated_stars_and_edges_are_left_out():
    places = [(150.0, 200.0), (150.0, 300.0), (8.0, 100.0)]
    frame = stars_at(places, 1.0)
    frame.flags[148:153, 298:303] = Flag.SATURATED
    assert np.round(find_stars(frame)).tolist() == [[150, 200]]


def test_lines_of_rejected_pixels_that_cross_are_told_apart():
    rng = np.random.default_rng(5)
    shape = (500, 700)
    y, x = np.mgrid[: shape[0], : shape[1]]
    rejected = (rng.random(shape) < 0.02).astype(np.uint16)
    rejected[np.abs(y - 0.5 * x - 20) < 5] = 1
    rejected[np.abs(y + x - 600) < 7] = 1
    rejected[np.hypot(y - 80, x - 600) < 12] = 1  # a star is no trail
    found = find_trails(rejected)
    assert len(found) == 2
    slopes = sorted((t.end[0] - t.start[0]) / (t.end[1] - t.start[1]) for t in found)
    np.testing.assert_allclose(slopes, [-1, 0.5], atol=0.02)
    lengths = sorted(t.length for t in found)
    assert lengths[0] == pytest.approx(math.hypot(500, 500), rel=0.06)
    assert lengths[1] == pytest.approx(math.hypot(350, 700), rel=0.06)
    assert not find_trails((rng.random(shape) < 0.05).astype(np.uint16))


@pytest.mark.parametrize("shape", [(60, 90), (240, 360), (1001, 1500)])
def test_a_small_picture_keeps_levels_and_colours(shape):
    tile = np.tile([[10.0, 20.0], [20.0, 40.0]], (-(-shape[0] // 2), -(-shape[1] // 2)))
    mosaic = tile[: shape[0], : shape[1]].astype(np.float32)
    picture = thumb(mosaic[np.newaxis], FrameInfo(cfa="RGGB"))
    assert picture.shape[0] == 3
    assert max(picture.shape) <= 216
    assert picture.shape[1] / picture.shape[2] == pytest.approx(shape[0] / shape[1], rel=0.1)
    np.testing.assert_allclose(picture.mean(axis=(1, 2)), [10, 20, 40], rtol=1e-5)
    ramp = np.broadcast_to(np.linspace(0, 1, shape[0])[:, None], shape).astype(np.float32)
    grey = thumb(ramp[np.newaxis], FrameInfo())[0]
    assert np.all(np.diff(grey.mean(axis=1)) > 0)
