"""The register step as the engine calls it: survey, decide, apply."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from starsim import CENTRE, SHAPE, Motion, Sky, params, run

from coldframe.errors import StepError
from coldframe.frame import Flag, Frame, FrameInfo
from coldframe.product import read_numbers, write_numbers
from coldframe.step import Context, Row
from coldframe_steps.register.align import align, flux_ratio
from coldframe_steps.register.measure import MeasureStars
from coldframe_steps.register.plugin import coldframe_steps
from coldframe_steps.register.reference import pick_reference, quality
from coldframe_steps.register.register import Register
from coldframe_steps.register.stars import find_stars
from coldframe_steps.register.terms import FLAGS, FLUX, SNR, TABLE, StarFlag


def map_error(own, ref, motion, model="auto"):
    """Largest and rms error (px) of the fitted map over the frame, and the alignment."""
    mine, theirs = find_stars(own).table, find_stars(ref).table
    found = align(mine, theirs, own.shape, ref.shape, model)
    y, x = np.mgrid[: SHAPE[0] : 25, : SHAPE[1] : 25]
    grid = np.column_stack([x.ravel(), y.ravel()]).astype(float)
    true = motion.from_reference(grid)
    inside = ((true >= 0) & (true <= 2 * CENTRE)).all(axis=1)
    error = np.hypot(*(found.transform.apply(grid) - true)[inside].T)
    return float(error.max()), float(np.sqrt((error**2).mean())), found


MOTIONS = {
    "dither": Motion(0.2, shift=(5.3, -7.7)),
    "meridian flip": Motion(180.3, shift=(12.4, 9.9)),
    "scale": Motion(25.0, scale=1.2, shift=(3.0, 2.0)),
    "mirror": Motion(-70.0, mirrored=True, shift=(1.0, 4.0)),
    "lens": Motion(20.0, shift=(11.0, -6.0), bend=0.03),
    "lens, flipped": Motion(180.0, shift=(18.0, 12.0), bend=0.04),
}


@pytest.mark.parametrize("kind", ["mono", "cfa"])
@pytest.mark.parametrize("name", MOTIONS)
@pytest.mark.parametrize("fwhm", [2.0, 3.0])
def test_residual_is_under_a_tenth_of_a_pixel(draw_stars, name, kind, fwhm):
    sky = Sky.random(1, faintest=3.5)
    ref = sky.shoot(draw_stars, Motion(bend=MOTIONS[name].bend), seed=1, kind=kind, fwhm=fwhm)
    own = sky.shoot(draw_stars, MOTIONS[name], seed=2, kind=kind, fwhm=fwhm)
    _, rms, found = map_error(own, ref, MOTIONS[name])
    assert found.measures["residual"] < 0.1
    assert rms < 0.03
    assert found.measures["matched"] > 40
    assert found.mirrored == MOTIONS[name].mirrored
    turn = (found.measures["rotation"] - MOTIONS[name].angle + 180) % 360 - 180
    assert abs(turn) < 0.02
    assert found.measures["scale"] == pytest.approx(MOTIONS[name].scale, abs=1e-3)


def test_wide_stars_register_far_better_than_they_are_wide(draw_stars):
    sky = Sky.random(2, faintest=3.8)
    motion = Motion(33.0, shift=(4.0, -9.0))
    ref, own = (
        sky.shoot(draw_stars, m, seed=k, fwhm=5.0) for k, m in enumerate((Motion(), motion))
    )
    largest, rms, _ = map_error(own, ref, motion)
    assert rms < 0.03
    assert largest < 0.06


def test_sixty_percent_unmatched_and_hot_pixels(draw_stars):
    sky = Sky.random(3, count=700, faintest=3.5)
    motion = Motion(0.0, shift=(6.5, 2.5))
    ref = sky.shoot(draw_stars, seed=1, keep=0.63, hot=150)
    own = sky.shoot(draw_stars, motion, seed=2, keep=0.63, hot=150)
    largest, _, found = map_error(own, ref, motion)
    assert largest < 0.05
    assert found.measures["residual"] < 0.15


def test_fifteen_stars(draw_stars):
    sky = Sky.random(4, count=34, faintest=4.0)
    motion = Motion(140.0, shift=(3.0, 1.0))
    ref, own = (sky.shoot(draw_stars, m, seed=k) for k, m in enumerate((Motion(), motion)))
    assert 10 <= len(find_stars(ref).table) <= 24
    assert map_error(own, ref, motion)[0] < 0.1


@pytest.mark.parametrize("kind", ["mono", "cfa", "colour"])
def test_frames_of_every_kind_land_on_the_reference(draw_stars, kind):
    sky = Sky.random(5)
    motion = Motion(2.0, shift=(5.3, -3.6))
    frames = [
        sky.shoot(draw_stars, seed=1, kind=kind, path="a.fits"),
        sky.shoot(draw_stars, motion, seed=2, kind=kind, path="b.fits", light=0.8),
    ]
    first, second = run(frames, reference="a.fits")
    for out in (first, second):
        assert out.data.dtype == np.float32
        assert out.data.shape == ((*SHAPE,) if kind == "mono" else (3, *SHAPE))
        assert out.info.cfa is None
        assert out.info.shape == SHAPE
        assert out.info.path == frames[1 if out is second else 0].info.path
        told = set(Register.columns) - {"stars", "fwhm", "roundness", "sky", "noise"}
        if (
            kind == "colour"
        ):  # no mosaic any more: hot pixels have been spread over their neighbours
            told -= {"hot_from_lights"}
        assert told <= set(out.measures)
    # The stars of both now have the same positions and, bar the lower light, the same fluxes.
    here, there = (find_stars(out).table for out in (first, second))
    distance = np.hypot(*(here[:40, None, :2] - there[None, :, :2]).transpose(2, 0, 1))
    near, off = distance.argmin(axis=1), distance.min(axis=1)
    good = (off < 1) & (here[:40, FLAGS] == 0) & (there[near, FLAGS] == 0)
    assert good.sum() > 20
    assert np.sqrt((off[good] ** 2).mean()) < 0.1
    assert flux_ratio(there[near[good]], here[:40][good]) == pytest.approx(0.8, abs=0.02)
    assert second.measures["flux_ratio"] == pytest.approx(0.8, abs=0.02)
    assert second.measures["shift_x"] == pytest.approx(5.3, abs=0.05)
    assert second.measures["shift_y"] == pytest.approx(-3.6, abs=0.05)
    assert first.measures["shift_x"] == 0.0
    assert "the reference frame" in first.history[-1]
    assert second.history[-1].startswith("register: onto a.fits by ")
    assert (second.flags & Flag.NO_DATA).any()
    assert not (first.flags & Flag.NO_DATA).any()


def test_the_reference_keeps_its_pixels_and_loses_stale_planes(draw_stars):
    sky = Sky.random(6)
    frame = sky.shoot(draw_stars, seed=1)
    frame = replace(frame, planes={"variance": frame.data}, history=("calibrate",))
    other = sky.shoot(draw_stars, Motion(shift=(3.2, 1.1)), seed=2, path="b.fits")
    other = replace(other, planes={"variance": other.data})
    first, second = run([frame, other], reference="light")
    np.testing.assert_array_equal(first.data, frame.data)
    assert first.history[0] == "calibrate"
    assert not first.planes
    assert not second.planes


def test_another_size_lands_on_the_reference_shape(draw_stars):
    sky = Sky.random(7)
    whole = sky.shoot(draw_stars, seed=1, path="a.fits")
    part = sky.shoot(draw_stars, Motion(1.0, shift=(4.0, 2.0)), seed=2, path="b.fits")
    part = part.with_pixels(
        np.ascontiguousarray(part.data[:360, 40:]), np.ascontiguousarray(part.flags[:360, 40:])
    )
    _, out = run([whole, part], reference="a.fits")
    assert out.shape == SHAPE
    here, there = find_stars(whole).table, find_stars(out).table
    distance = np.hypot(*(here[:30, None, :2] - there[None, :, :2]).transpose(2, 0, 1)).min(axis=1)
    assert np.median(distance) < 0.1


def test_the_sharpest_frame_with_many_stars_is_the_reference(draw_stars):
    sky = Sky.random(8)
    frames = [
        sky.shoot(draw_stars, seed=1, fwhm=4.0, path="soft.fits"),
        sky.shoot(draw_stars, seed=2, fwhm=2.6, path="sharp.fits"),
        sky.shoot(draw_stars, seed=3, fwhm=2.6, light=0.3, path="cloudy.fits"),
        sky.shoot(draw_stars, seed=4, fwhm=2.6, background=5000, path="moonlit.fits"),
        sky.shoot(draw_stars, seed=5, fwhm=(2.6, 5.0), path="trailed.fits"),
    ]
    out = run(frames)
    assert "the reference frame" in out[1].history[-1]
    assert all("onto sharp.fits" in o.history[-1] for o in (*out[:1], *out[2:]))
    assert out[2].measures["flux_ratio"] == pytest.approx(0.3, abs=0.02)


def test_frames_that_cannot_be_registered_are_set_aside_in_words(draw_stars):
    sky, elsewhere = Sky.random(9), Sky.random(10)
    few = Sky(sky.xy[:14], sky.flux[:14], sky.colour[:14])
    good = sky.shoot(draw_stars, seed=1, path="good.fits")
    out = run(
        [
            good,
            few.shoot(draw_stars, seed=2, path="cloud.fits"),
            elsewhere.shoot(draw_stars, seed=3, path="elsewhere.fits"),
        ],
        min_stars=12,
    )
    assert isinstance(out[0], Frame)
    assert "cloud.fits: only " in out[1]
    assert " stars found, 12 needed ('min_stars'), " in out[1]
    assert " in the usual light; cloud or bad focus?" in out[1]
    assert "elsewhere.fits: another field than good.fits?" in out[2]
    assert "beyond chance" in out[2]


def test_flux_ratio_takes_the_best_stars_there_are():
    def table(flux, flags, snr=50.0):
        out = np.zeros((len(flux), len(TABLE)))
        out[:, FLUX], out[:, FLAGS], out[:, SNR] = flux, flags, snr
        return out

    sat, blended = StarFlag.SATURATED, StarFlag.BLENDED
    reference = table([100.0] * 8, [0] * 5 + [blended] + [sat] * 2)
    own = table([80.0] * 5 + [60.0] + [9.0] * 2, [0] * 8)
    assert flux_ratio(own, reference) == pytest.approx(0.8)
    assert flux_ratio(own[4:], reference[4:]) == pytest.approx(0.8)  # one plain star is enough
    assert flux_ratio(own[5:], reference[5:]) == pytest.approx(0.6)  # else a blended one
    # Through thick cloud only stars show that are saturated in the reference: an upper limit.
    assert flux_ratio(own[6:], reference[6:]) == pytest.approx(0.09)
    assert flux_ratio(reference[6:], reference[6:]) is None


def test_a_frame_out_of_focus_is_set_aside_with_its_width(draw_stars):
    sky = Sky.random(21)
    frames = [sky.shoot(draw_stars, seed=k, path=f"{k}.fits") for k in range(3)]
    frames.append(sky.shoot(draw_stars, seed=9, fwhm=5.5, path="soft.fits"))
    outs = run(frames)
    assert [isinstance(out, str) for out in outs] == [False, False, False, True]
    assert outs[3].startswith("soft.fits: its stars are 5.")
    assert "out of focus" in outs[3]
    assert not isinstance(run(frames, max_blur=3.0)[3], str)


def test_a_bad_residual_is_set_aside_with_its_number(draw_stars):
    sky = Sky.random(11)
    motion = Motion(0.0, shift=(11.0, -6.0), bend=0.2)
    frames = [
        sky.shoot(draw_stars, Motion(bend=0.2), seed=1, path="a.fits"),
        sky.shoot(draw_stars, motion, seed=2, path="b.fits"),
    ]
    reason = run(frames, reference="a.fits", model="similarity", max_residual=0.05)[1]
    assert "b.fits: its " in reason
    assert "px rms, 0.05 px allowed ('max_residual')" in reason
    assert isinstance(run(frames, reference="a.fits")[1], Frame)


def test_no_possible_reference_stops_the_run(draw_stars):
    rng = np.random.default_rng(0)
    blank = [
        Frame(rng.normal(500, 5, SHAPE).astype(np.float32), np.zeros(SHAPE, np.uint8), FrameInfo())
        for _ in range(2)
    ]
    with pytest.raises(StepError, match="none of the 2 frames can be the reference: the best has"):
        run(blank)


def row(path, stars=100, fwhm=3.0, roundness=0.9, noise=10.0, exposure=None):
    survey = {"table": np.zeros((stars, 8))} | {
        name: np.array([float(value)])
        for name, value in (
            ("stars", stars), ("fwhm", fwhm), ("roundness", roundness), ("noise", noise)
        )
    }  # fmt: skip
    return Row(FrameInfo(path=path, exposure=exposure), {}, survey)


def test_a_named_reference_is_found_or_explained():
    rows = [row("/n/one/a.dng"), row("/n/two/a.dng"), row("/n/two/b.dng"), row("/n/two/c.dng", 5)]
    for name in ("b.dng", "b", "two/b.dng", "/n/two/b.dng"):
        assert pick_reference(rows, name, 10) == 2
    assert pick_reference(rows, "two/a.dng", 10) == 1
    with pytest.raises(StepError, match="give more of its path"):
        pick_reference(rows, "a.dng", 10)
    with pytest.raises(StepError, match=r"'bb\.dng' is not among the 4 frames .* b\.dng"):
        pick_reference(rows, "bb.dng", 10)
    with pytest.raises(StepError, match=r"c\.dng has only 5 stars, 10 needed"):
        pick_reference(rows, "c.dng", 10)


def test_quality_prefers_each_good_thing_and_does_not_trust_many_stars():
    plain = row("a")
    better = [row("b", fwhm=2.5), row("b", roundness=0.99), row("b", noise=8), row("b", stars=140)]
    for other in better:
        scores = quality([plain, other])
        assert scores[1] > scores[0]
    sharp, noisy = row("a", 100, fwhm=3.0), row("b", 5000, fwhm=6.0)
    assert np.argmax(quality([sharp, sharp, noisy])) == 0
    short, long = row("a", noise=10, exposure=60.0), row("b", noise=17, exposure=180.0)
    assert np.argmax(quality([short, long])) == 1


def test_an_empty_star_table_survives(draw_stars):
    blank = Frame(np.full(SHAPE, 5, np.float32), np.zeros(SHAPE, np.uint8), FrameInfo(path="x/no"))
    good = Sky.random(12).shoot(draw_stars, seed=1)
    out = run([good, blank])
    assert "no: only 0 stars found, 3 needed ('min_stars')" in out[1]


def test_survey_and_decision_survive_the_store(draw_stars, tmp_path):
    frame = Sky.random(12).shoot(draw_stars, seed=1)
    blank = Frame(np.full(SHAPE, 5, np.float32), np.zeros(SHAPE, np.uint8), FrameInfo())
    step, ctx = Register(), Context(params=params())
    survey = step.survey(frame, ctx)
    decision = step.decide([Row(frame.info, {}, survey)], ctx)
    for numbers in (survey, decision, step.survey(blank, ctx)):
        write_numbers(tmp_path / "numbers.fits", numbers)
        back = read_numbers(tmp_path / "numbers.fits")
        assert set(back) == set(numbers)
        for name, values in numbers.items():
            assert values.dtype == np.float64
            np.testing.assert_array_equal(back[name], values)
    again = step.apply(frame, Context(params=params(), survey=survey, decision=decision))
    np.testing.assert_array_equal(again.data, frame.data)


def test_measure_stars_tells_the_same_as_the_survey(draw_stars):
    frame = Sky.random(13).shoot(draw_stars, seed=1)
    told = MeasureStars().measure(frame, Context(params={"threshold": 5.0}))
    survey = Register().survey(frame, Context(params=params()))
    assert set(told) == set(MeasureStars.columns)
    assert all(survey[name][0] == value for name, value in told.items())


def test_steps_declare_what_they_take_and_give():
    steps = {step.name: step for step in coldframe_steps()}
    assert set(steps) == {"demosaic", "measure-stars", "register"}
    for step in steps.values():
        schema = {"type": "object", "properties": dict(step.params), "additionalProperties": False}
        Draft202012Validator.check_schema(schema)
        defaults = {name: spec["default"] for name, spec in step.params.items()}
        Draft202012Validator(schema).validate(defaults)
        assert all(spec["description"] for spec in step.params.values())
        assert step.about
        assert step.sources


@settings(max_examples=8, deadline=None)
@given(st.floats(-180, 180), st.floats(-30, 30), st.floats(-30, 30), st.booleans())
def test_any_motion_is_found(draw_stars, angle, dx, dy, mirrored):
    sky = Sky.random(14)
    motion = Motion(angle, shift=(dx, dy), mirrored=mirrored)
    ref = sky.shoot(draw_stars, seed=1)
    own = sky.shoot(draw_stars, motion, seed=2)
    largest, _, found = map_error(own, ref, motion)
    assert largest < 0.1
    assert found.mirrored == mirrored


@pytest.mark.parametrize("shift", [(0.0, 0.25), (0.25, 0.25), (0.35, 0.3), (0.05, 0.0)])
@pytest.mark.parametrize("seed", [14, 36, 40])
def test_a_field_that_hardly_moved_is_matched_whole(draw_stars, shift, seed):
    # Stars that moved by less than half a pixel look like the sensor's pattern one by one.
    sky = Sky.random(seed, count=300)
    motion = Motion(shift=shift)
    largest, _, found = map_error(
        sky.shoot(draw_stars, motion, seed=2), sky.shoot(draw_stars, seed=1), motion
    )
    assert largest < 0.1
    assert found.measures["matched"] > 80


def test_saturated_stars_are_matched_but_do_not_steer(draw_stars):
    sky = Sky.random(15, brightest=5.6)
    motion = Motion(7.0, shift=(2.0, 3.0))
    frames = []
    for k, move in enumerate((Motion(), motion)):
        frame = sky.shoot(draw_stars, move, seed=k)
        full = frame.data > 4000
        frames.append(
            frame.with_pixels(
                np.where(full, np.float32(4000), frame.data),
                np.where(full, np.uint8(Flag.SATURATED), np.uint8(0)),
            )
        )
    ref, own = frames
    largest, _, found = map_error(own, ref, motion)
    assert largest < 0.06
    table = find_stars(ref).table
    assert (table[:, FLAGS] != 0).sum() > 10
    assert (table[:, SNR] > 20).sum() > 100
    assert found.measures["flux_ratio"] == pytest.approx(1.0, abs=0.01)
