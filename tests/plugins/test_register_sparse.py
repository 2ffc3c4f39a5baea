"""Fields of twenty stars, of a handful, and of none: registered by what there is, or left out."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.registration import phase_cross_correlation
from starsim import CENTRE, SHAPE, Motion, Sky, params, run

from coldframe.errors import SetAside
from coldframe.frame import Frame, FrameInfo
from coldframe.step import Context
from coldframe_steps.register.match import NoMatch, match_stars
from coldframe_steps.register.onto import onto_reference
from coldframe_steps.register.picture import NotSure, picture, place
from coldframe_steps.register.stars import find_stars

TRACKED = [
    Motion(0.15 * k + (180.2 if k > 7 else 0.0), shift=(9.0 * np.sin(k), 7.0 * np.cos(2 * k)))
    for k in range(12)
]


def place_errors(frames, outs):
    """Median distance, px, of each registered frame's stars from the reference's own: the truth is
    that they lie at the same places."""
    reference = next(k for k, out in enumerate(outs) if "the reference" in out.history[-1])
    at = find_stars(frames[reference]).table[:, :2]
    errors = []
    for out in outs:
        stars = find_stars(out).table[:, :2]
        near = np.hypot(*(stars[:, None] - at[None]).transpose(2, 0, 1)).min(axis=1)
        errors.append(float(np.median(near)))
    return errors


@pytest.mark.parametrize(("kind", "model"), [("mono", "auto"), ("cfa", "affine")])
def test_twelve_lights_of_twenty_stars_all_register(draw_stars, kind, model):
    # The field of the sky drawn is twice the frame's area: 40 stars, about 20 in the frame, half
    # of them faint.
    sky = Sky.random(31, count=40, faintest=3.0, brightest=4.6)
    frames = [
        sky.shoot(draw_stars, motion, seed=k, kind=kind, path=f"{k}.fits")
        for k, motion in enumerate(TRACKED)
    ]
    outs = run(frames, model=model)
    assert not [out for out in outs if isinstance(out, str)]
    errors = place_errors(frames, outs)
    assert max(errors) < 0.5
    assert np.median(errors) < 0.25


@pytest.mark.parametrize("count", [3, 4, 5])
def test_a_handful_of_stars_registers(draw_stars, count):
    rng = np.random.default_rng(count)
    places = CENTRE + (rng.permutation(9)[:count, None] // [3, 1] % 3 - 1.0) * [150, 110]
    places += rng.uniform(-20, 20, places.shape)
    sky = Sky(places, 10 ** rng.uniform(4.0, 4.8, count), np.ones((count, 3)))
    frames = [sky.shoot(draw_stars, motion, seed=k) for k, motion in enumerate(TRACKED[::3])]
    outs = run(frames, model="affine")
    assert not [out for out in outs if isinstance(out, str)]
    assert max(place_errors(frames, outs)) < 0.5
    assert all(
        "'affine' needs 8 stars" in out.history[-1] for out in outs if out.measures["rotation"]
    )


def test_unrelated_handfuls_are_never_matched():
    # Expected below 1e-6 a pair of fields; 240 pairs here, none may match.
    rng = np.random.default_rng(3)
    size = np.array(SHAPE[::-1])
    for count, other in [(3, 3), (4, 4), (5, 6), (8, 8), (3, 20), (12, 12)] * 40:
        with pytest.raises(NoMatch):
            match_stars(
                rng.uniform(0, 1, (count, 2)) * size, rng.uniform(0, 1, (other, 2)) * size, SHAPE
            )


def test_blemishes_that_stand_still_do_not_stand_for_the_sky():
    # Through cloud only three warm spots are left, and the reference shows them beside its stars.
    rng = np.random.default_rng(4)
    size = np.array(SHAPE[::-1])
    spots = rng.uniform(0.1, 0.9, (3, 2)) * size
    reference = np.vstack([rng.uniform(0, 1, (20, 2)) * size, spots])
    with pytest.raises(NoMatch):
        match_stars(spots, reference, SHAPE)


# -- no stars ------------------------------------------------------------------------------------


def nebula(motion, seed, *, field=5, bright=150.0, slope=0.0, path="light.fits", cfa=None):
    """An analytic nebula of many soft knots, seen with a motion; truth is the motion."""
    rng = np.random.default_rng(field)
    sky = CENTRE + rng.uniform(-1.6, 1.6, (60, 2)) * CENTRE
    widths, heights = rng.uniform(5, 28, 60), rng.uniform(0.2, 1.0, 60)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    image = 500.0 + slope * x / SHAPE[1]
    for (cx, cy), wide, high in zip(motion(sky), widths, heights, strict=True):
        image = image + bright * high * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * wide**2))
    noise = np.random.default_rng([seed, 78])
    data = (noise.poisson(image) + noise.normal(0, 6, SHAPE)).astype(np.float32)
    info = FrameInfo(path=f"/n/{path}", gain=1.0, cfa=cfa, shape=SHAPE)
    return Frame(data, np.zeros(SHAPE, np.uint8), info)


def corner_error(placed, motion):
    corners = np.array(
        [[0, 0], [SHAPE[1] - 1, 0], [0, SHAPE[0] - 1], [SHAPE[1] - 1, SHAPE[0] - 1.0]]
    )
    mapped = corners @ placed.matrix[:2, :2].T + placed.matrix[:2, 2]
    return float(np.hypot(*(mapped - motion(corners)).T).max())


@pytest.mark.parametrize("cfa", [None, "RGGB"])
def test_a_nebula_alone_tells_the_shift_and_the_flip(cfa):
    ref, cell = picture(nebula(Motion(), 1, cfa=cfa))
    errors, told = [], []
    for seed, motion in enumerate(
        [Motion(shift=(12.3, -7.8)), Motion(180.0, shift=(-9.6, 14.2)), Motion(shift=(-20.1, 3.3))]
    ):
        own, _ = picture(nebula(motion, 10 + seed, slope=200.0, cfa=cfa))
        placed = place(own, ref, cell)
        assert placed.turned == (motion.angle == 180.0)
        assert placed.brightness == pytest.approx(1.0, abs=0.05)
        errors.append(corner_error(placed, motion))
        told.append(placed.error)
    assert max(errors) < 0.4
    assert np.median(errors) < 4 * np.median(told) + 0.1


def test_the_shift_agrees_with_scikit_image():
    ref, cell = picture(nebula(Motion(), 1))
    own, _ = picture(nebula(Motion(shift=(12.3, -7.8)), 2))
    placed = place(own, ref, cell)
    outside = phase_cross_correlation(
        ref.mean(axis=0), own.mean(axis=0), upsample_factor=50, normalization=None
    )[0]
    assert placed.shift_y == pytest.approx(-outside[0] * cell, abs=1.0)
    assert placed.shift_x == pytest.approx(-outside[1] * cell, abs=1.0)


@pytest.mark.parametrize(
    ("other", "reason"),
    [
        (nebula(Motion(), 2, field=6), "accounts for"),
        (nebula(Motion(), 2, bright=0.0), "above the noise"),
        (nebula(Motion(4.0, shift=(5, 5)), 2), "accounts for"),
        (nebula(Motion(), 2), "has not moved at all"),
        (nebula(Motion(shift=(8, 5)), 2, bright=50.0), "times as bright"),
    ],
    ids=["another field", "cloud", "turned", "pattern", "thin cloud"],
)
def test_what_a_nebula_does_not_prove_is_left_out(other, reason):
    ref, cell = picture(nebula(Motion(), 1))
    with pytest.raises(NotSure, match=reason):
        place(picture(other)[0], ref, cell)


def test_a_night_of_nebula_alone_goes_through_the_step():
    motions = [Motion(shift=(6.0 * k, -4.5 * k)) for k in range(4)]
    frames = [nebula(m, k, path=f"{k}.fits") for k, m in enumerate(motions)]
    frames.append(nebula(Motion(), 9, bright=0.0, path="cloud.fits"))
    outs = run(frames)
    assert [isinstance(out, str) for out in outs] == [False] * 4 + [True]
    assert "'min_stars'" in outs[4]
    told = [(o.measures["shift_x"], o.measures["shift_y"]) for o in outs[:4]]
    first = np.array(told) - told[0]
    np.testing.assert_allclose(first, [m.shift for m in motions], atol=0.5)


# -- reasons -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("usual", "said"),
    [(9.0, "the other lights show 9: a sparse field"), (60.0, "cloud or bad focus?")],
)
def test_cloud_is_guessed_only_where_the_other_lights_show_more(usual, said):
    frame = Frame(
        np.zeros(SHAPE, np.float32), np.zeros(SHAPE, np.uint8), FrameInfo(path="n/a.fits")
    )
    decision = {
        "reference_table": np.zeros((12, 8)),
        "reference_name": np.array([98.0]),
        "usual_stars": np.array([usual]),
    }
    ctx = Context(
        params=params(min_stars=10), survey={"table": np.zeros((8, 8))}, decision=decision
    )
    with pytest.raises(SetAside) as reason:
        onto_reference(frame, ctx, SHAPE)
    assert "only 8 stars found, 10 needed ('min_stars')" in str(reason.value)
    assert said in str(reason.value)
    assert ("cloud" in str(reason.value)) == (usual == 60.0)


def test_a_frame_of_another_size_says_so(draw_stars):
    sky = Sky.random(33)
    good = [sky.shoot(draw_stars, m, seed=k, path=f"{k}.fits") for k, m in enumerate(TRACKED[:3])]
    small = Frame(
        np.ascontiguousarray(good[0].data[:60, :50]),
        np.zeros((60, 50), np.uint8),
        FrameInfo(path="/n/window.fits", shape=(60, 50)),
    )
    reason = run([*good, small], reference="1.fits")[3]
    assert reason.startswith("window.fits: it is 50 x 60 px, the reference 500 x 400: a window,")
