"""The demo's sky on the pixel grid: mappings, star flux, nebula, trails, dust."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coldframe.demo.events import Trail, cosmic_rays, make_trail
from coldframe.demo.geometry import Projection
from coldframe.demo.optics import Dust, Optics
from coldframe.demo.render import add_smooth, add_stars, add_trail
from coldframe.demo.sky import Cloud, Glow, Nebula, Psf, Stars, make_nebula, make_stars

RGGB = np.array([[0, 1], [1, 2]])
PLAIN = Projection(axis_y=40.0, axis_x=60.0, radius=72.0, k=0.0)


@given(
    k=st.floats(-0.05, 0.05),
    rotation=st.floats(-360, 360),
    shift=st.tuples(st.floats(-200, 200), st.floats(-200, 200)),
    y=st.floats(0, 1000),
    x=st.floats(0, 1500),
)
def test_to_sky_undoes_to_pixel(k, rotation, shift, y, x):
    lens = Projection(498.0, 760.0, 901.0, k, rotation, *shift)
    back = lens.to_pixel(*lens.to_sky(np.array([y]), np.array([x])))
    assert back[0][0] == pytest.approx(y, abs=1e-6)
    assert back[1][0] == pytest.approx(x, abs=1e-6)


def test_half_a_turn_puts_the_sky_upside_down():
    turned = Projection(40.0, 60.0, 72.0, 0.01, rotation=180.0)
    upright = Projection(40.0, 60.0, 72.0, 0.01)
    v, u = np.array([10.0]), np.array([-25.0])
    y, x = upright.to_pixel(v, u)
    y2, x2 = turned.to_pixel(v, u)
    assert (y2[0] - 40, x2[0] - 60) == pytest.approx((40 - y[0], 60 - x[0]))


def test_every_colour_gets_its_share_of_a_star():
    stars = Stars(np.array([0.3]), np.array([0.2]), np.array([[500.0], [1000.0], [250.0]]))
    image = np.zeros((80, 120), dtype=np.float32)
    add_stars(image, RGGB, PLAIN, stars, Psf(6.0))
    assert 4 * image[::2, ::2].sum() == pytest.approx(500, rel=0.01)
    assert 4 * image[1::2, 1::2].sum() == pytest.approx(250, rel=0.01)
    assert 2 * (image[::2, 1::2].sum() + image[1::2, ::2].sum()) == pytest.approx(1000, rel=0.01)


def test_stars_off_the_edge_are_cut_not_wrapped():
    stars = Stars(np.array([-40.5, 300.0]), np.array([0.0, 0.0]), np.array([[1e4, 1e6]]))
    image = np.zeros((80, 120), dtype=np.float32)
    add_stars(image, np.zeros((2, 2), int), PLAIN, stars, Psf(3.0))
    assert image.sum() == pytest.approx(5000, rel=0.02)  # half of the first, nothing of the second
    assert image[40:].sum() < 50


@pytest.mark.parametrize("size", [5.0, 21.0, 45.0])
def test_smooth_light_is_the_analytic_one(size):
    nebula = Nebula((Cloud(3.0, -5.0, size, 1.5 * size, 20.0, (2.0, 1.0, 0.5)),))
    glow = Glow((5.0, 6.0, 4.0), 0.1, -0.05, 0.02, 72.0)
    lens = Projection(40.0, 60.0, 72.0, 0.01, 33.0, 2.0, -1.0)
    image = np.zeros((80, 120), dtype=np.float32)
    add_smooth(image, RGGB, lens, nebula, glow, transparency=0.5, seconds=10.0)
    y, x = np.mgrid[:80, :120].astype(float)
    v, u = lens.to_sky(y, x)
    exact = 10 * (0.5 * nebula.brightness(v, u) + glow.brightness(v, u))
    band = np.tile(RGGB, (40, 60))
    expected = np.take_along_axis(exact, band[np.newaxis], axis=0)[0]
    assert np.abs(image - expected).max() < 0.007 * 10 * 0.5 * 2.0 + 1e-4


def test_nebula_clouds_lie_where_they_say():
    cloud = Cloud(10.0, -20.0, 5.0, 15.0, 0.0, (3.0,))
    nebula = Nebula((cloud,))
    at = nebula.brightness(np.array([10.0, 15.0, 10.0]), np.array([-20.0, -20.0, -5.0]))[0]
    assert at == pytest.approx([3.0, 3 * np.exp(-0.5), 3 * np.exp(-0.5)])


def test_made_nebula_is_faint_and_inside_the_frame():
    nebula = make_nebula(900.0, (0.6, 0.3, 0.4), (0.1, 0.3, 0.4), np.random.default_rng(2))
    v, u = np.mgrid[-500:501:10, -750:751:10]
    light = nebula.brightness(v, u)
    assert (light.max(axis=(1, 2)) < 2.5 * np.array([0.6, 0.3, 0.4])).all()
    edge = np.concatenate([light[0, 0], light[0, -1], light[0, :, 0], light[0, :, -1]])
    assert edge.max() < 0.2 * light[0].max()


def test_star_counts_follow_their_power_law():
    rng = np.random.default_rng(6)
    stars = make_stars(2000.0, 2000.0, 1.0, 3e4, [(1.0, 0.0)], rng)
    rate = stars.rate[0]
    assert (np.diff(rate) <= 0).all()
    assert len(rate) == pytest.approx(np.pi * 4 * 2000, rel=0.001)
    for level in (3.0, 10.0, 30.0):
        expected = len(rate) * level**-0.85
        assert np.count_nonzero(rate > level) == pytest.approx(expected, abs=5 * expected**0.5)
    assert np.hypot(stars.v, stars.u).max() <= 2000
    inner = np.count_nonzero(np.hypot(stars.v, stars.u) < 1000)  # a quarter of the area
    assert inner == pytest.approx(len(rate) / 4, rel=0.05)


@pytest.mark.parametrize("ends", [(10, 0, 60, 119), (40, -5, 40, 130), (-5, 60, 90, 60)])
def test_a_trail_runs_between_its_ends(ends):
    image = np.zeros((80, 120), dtype=np.float32)
    trail = Trail(*map(float, ends), peak=(50.0, 100.0, 25.0), width=1.2)
    add_trail(image, RGGB, trail)
    y, x = np.mgrid[:80, :120]
    length = np.hypot(ends[2] - ends[0], ends[3] - ends[1])
    away = ((y - ends[0]) * (ends[3] - ends[1]) - (x - ends[1]) * (ends[2] - ends[0])) / length
    along = ((y - ends[0]) * (ends[2] - ends[0]) + (x - ends[1]) * (ends[3] - ends[1])) / length
    peak = np.tile(np.array([50.0, 100.0, 25.0])[RGGB], (40, 60))
    expected = peak * np.exp(-0.5 * (away / 1.2) ** 2) * ((along >= 0) & (along <= length))
    assert image == pytest.approx(expected, abs=1e-3)


def test_an_aircraft_flashes():
    image = np.zeros((40, 400), dtype=np.float32)
    trail = Trail(20.0, 0.0, 20.0, 399.0, (100.0,), 1.0, period=50.0)
    add_trail(image, np.zeros((2, 2), int), trail)
    line = image[20]
    assert line.min() == pytest.approx(15, rel=0.01)
    assert (
        np.count_nonzero((line > 150) & (line >= np.roll(line, 1)) & (line > np.roll(line, -1)))
        == 8
    )


def test_made_trails_cross_the_frame():
    rng = np.random.default_rng(9)
    for _ in range(20):
        image = np.zeros((100, 150), dtype=np.float32)
        add_trail(image, np.zeros((2, 2), int), make_trail(image.shape, (100.0,), 1.3, rng))
        edges = [image[0], image[-1], image[:, 0], image[:, -1]]
        assert sum(edge.max() > 50 for edge in edges) >= 2


def test_cosmic_rays_come_at_the_stated_rate():
    rng = np.random.default_rng(4)
    frames = [cosmic_rays((1000, 1000), 100.0, rng) for _ in range(200)]
    hit = sum(len(f) > 0 for f in frames)
    assert hit / 200 == pytest.approx(1 - np.exp(-1.2), abs=0.12)  # Poisson, mean 1.2 a frame
    every = np.concatenate(frames)
    assert every[:, 0].max() < 1000
    assert every[:, 2].min() > 0


def test_dust_casts_rings():
    optics = Optics("test", 100.0, 4.0, 0.0, 0.0)
    clean = optics.response((100, 150), ())
    dirty = optics.response((100, 150), (Dust(50.0, 70.0, 20.0, 8.0, 0.05),))
    assert clean == pytest.approx(1)
    assert dirty[50, 84] == pytest.approx(0.95, abs=0.002)  # in the ring
    assert dirty[50, 70] == pytest.approx(1, abs=0.002)  # in its hole
    assert dirty[50, 120] == 1
