"""The rules of vetting on numbers made by hand, where the right answer is plain."""

from collections import defaultdict
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from coldframe.digests import DigestCache
from coldframe.frame import FrameInfo, Kind
from coldframe.look import Look
from coldframe.vetting.compare import Subject, plane, smooth, swing, unlike
from coldframe.vetting.darks import judge_darks
from coldframe.vetting.flats import judge_flats
from coldframe.vetting.gather import Fields
from coldframe.vetting.labels import judge_labels
from coldframe.vetting.lights import judge_lights
from coldframe.vetting.measures import Sight
from coldframe.vetting.thresholds import VET_PARAMS, vet_limits
from coldframe.vetting.verdict import Finding, Verdict, Vetted, warnings

LIMITS = vet_limits()


def subject(kind, level=10.0, noise=5.0, stars=None, field=(), number=0, grid=None, **facts):
    look = Look(level, True, level / 16000, noise, 0, None, 0.0, 0.0, 0.0)
    info = FrameInfo(
        kind=kind, kind_reason="header", path=f"/n/{kind}/{number}.fits", camera="N1",
        shape=(240, 360), **facts,
    )  # fmt: skip
    shape = np.full((8, 12), float(level)) if grid is None else grid
    sight = Sight(
        look, {"L": float(level)}, shape, 0.2, 16000.0, f"{kind} {number} {level}",
        stars or {}, np.asarray(field, float).reshape(-1, 2),
    )  # fmt: skip
    return Subject(info, sight, f"{kind}/{number}.fits")


def judged(rule, subjects, *more):
    found = defaultdict(list)
    rule(subjects, LIMITS, *more, found)
    return [found[i] for i in range(len(subjects))]


def test_dark_current_may_double_in_six_degrees_but_not_in_none():
    """Dark current doubles every few °C: Widenhorn et al. 2002, Proc. SPIE 4669, 193."""
    cold = [subject(Kind.DARK, 10, exposure=60.0, temperature=-10.0, number=i) for i in range(5)]
    warm = [subject(Kind.DARK, 40, exposure=60.0, temperature=2.0, number=10 + i) for i in range(3)]
    long = [subject(Kind.DARK, 40, exposure=240.0, temperature=-10.0, number=20)]
    found = judged(judge_darks, [*cold, *warm, *long])
    assert not [f for findings in found for f in findings if f.rule == "leak"]
    leaky = subject(Kind.DARK, 40, exposure=60.0, temperature=-10.0, number=9)
    *good, bad = judged(judge_darks, [*cold, leaky])
    assert not any(good)
    assert [f.rule for f in bad] == ["leak"]
    # 10 ADU x 2^(3 °C of doubt / 6) + half the noise of a pixel
    assert bad[0].limit == pytest.approx(10 * 2**0.5 + 2.5)
    assert "40.0 ADU above zero" in bad[0].reason


def test_darks_without_a_temperature_are_given_the_benefit_of_the_doubt():
    darks = [subject(Kind.DARK, 10, exposure=60.0, number=i) for i in range(5)]
    warm, leaky = (subject(Kind.DARK, level, exposure=60.0, number=level) for level in (35, 90))
    *_, first, second = judged(judge_darks, [*darks, warm, leaky])
    assert not first
    assert second


def test_a_small_second_set_of_darks_is_a_set_when_lights_were_shot_so():
    darks = [subject(Kind.DARK, exposure=60.0, number=i) for i in range(9)]
    short = subject(Kind.DARK, level=5, exposure=30.0, number=9)
    assert judged(judge_darks, [*darks, short])[-1][0].rule == "settings"
    light = subject(Kind.LIGHT, 200, exposure=30.0, number=10)
    assert not judged(judge_darks, [*darks, short, light])[-2]


def test_a_bias_a_little_longer_than_the_shortest_is_warned_of():
    biases = [subject(Kind.BIAS, 0, exposure=1 / 4000, number=i) for i in range(4)]
    slow = subject(Kind.BIAS, 0, exposure=1 / 500, number=8)
    slower = subject(Kind.BIAS, 0, exposure=0.5, number=9)
    *good, first, second = judged(judge_darks, [*biases, slow, slower])
    assert not any(good)
    assert [(f.rule, f.verdict) for f in first] == [("bias exposure", Verdict.WARN)]
    assert [(f.rule, f.verdict) for f in second] == [("bias exposure", Verdict.SET_ASIDE)]


def test_two_flats_cannot_tell_which_of_them_is_wrong():
    even = np.full((8, 12), 8000.0)
    tilted = even * np.linspace(0.9, 1.1, 12)
    pair = [subject(Kind.FLAT, 8000, grid=grid, number=i) for i, grid in enumerate((even, tilted))]
    assert not any(judged(judge_flats, pair))
    third = subject(Kind.FLAT, 8000, grid=even, number=2)
    _, bad, _ = judged(judge_flats, [*pair, third])
    assert [f.rule for f in bad] == ["flat gradient"]


class Kinds:
    """A gauge for which positions tell the field by their first number."""

    name, version = "toy", "1"

    def same_field(self, own, other):
        return own[0, 0] == other[0, 0]


def lights(fields, **change):
    start = datetime(2025, 1, 1, tzinfo=UTC)
    return [
        subject(
            Kind.LIGHT, 200.0 * change.get("sky", {}).get(i, 1.0), number=i,
            stars={"stars": 100.0 * change.get("stars", {}).get(i, 1.0), "fwhm": 3.0,
                   "roundness": change.get("roundness", {}).get(i, 0.95)},
            field=np.full((30, 2), field), exposure=60.0, start=start + timedelta(minutes=2 * i),
        )
        for i, field in enumerate(fields)
    ]  # fmt: skip


def rules(subjects):
    fields = Fields(Kinds(), DigestCache())
    return [[(f.rule, f.verdict) for f in fs] for fs in judged(judge_lights, subjects, fields)]


def test_a_stray_light_is_set_aside_and_a_second_target_is_warned_of():
    *good, stray = rules(lights([1] * 8 + [2]))
    assert not any(good)
    assert stray == [("target", Verdict.SET_ASIDE)]
    found = rules(lights([1] * 8 + [2] * 5))
    assert not any(found[:8])
    assert found[8:] == [[("target", Verdict.WARN)]] * 5


def test_the_sky_of_dawn_rises_and_a_lamp_does_not():
    dawn = {9: 1.7, 10: 2.5, 11: 4.0}
    found = rules(lights([1] * 12, sky=dawn))
    assert not any(found[:9])
    assert [f[0] for f in found[9:]] == [
        ("twilight", Verdict.WARN), ("twilight", Verdict.WARN), ("twilight", Verdict.SET_ASIDE),
    ]  # fmt: skip
    dusk = rules(lights([1] * 12, sky={0: 3.5, 1: 1.8}))
    assert [f[0] for f in dusk[:2]] == [("twilight", Verdict.SET_ASIDE), ("twilight", Verdict.WARN)]
    assert rules(lights([1] * 12, sky={5: 3.5}))[5] == [("sky", Verdict.WARN)]


def test_a_lens_that_draws_all_stars_long_is_not_trailing():
    assert not any(rules(lights([1] * 6, roundness=dict.fromkeys(range(6), 0.7))))
    untracked = rules(lights([1] * 6, roundness=dict.fromkeys(range(6), 0.4)))
    assert untracked == [[("trailing", Verdict.WARN)]] * 6  # nothing better is there to use


def test_a_mono_light_of_another_filter_differs_in_sky_and_stars():
    assert rules(lights([1] * 6, sky={2: 0.3}, stars={2: 0.5}))[2] == [
        ("filter", Verdict.SET_ASIDE)
    ]
    # Fewer stars under a brighter sky are cloud.
    assert rules(lights([1] * 6, sky={2: 1.4}, stars={2: 0.3}))[2] == [("cloud", Verdict.SET_ASIDE)]


def test_a_frame_is_only_as_good_as_its_worst_finding_unless_it_is_kept():
    info = FrameInfo(kind=Kind.LIGHT, path="/n/a.fits")
    warn = Finding("sky", Verdict.WARN, "bright sky", 2.0, 1.6)
    bad = Finding("cloud", Verdict.SET_ASIDE, "cloud", 0.1, 0.35)
    frame = Vetted(info, "a.fits", (warn, bad))
    assert (frame.verdict, frame.reason) == (Verdict.SET_ASIDE, "cloud; bright sky")
    kept = Vetted(info, "a.fits", (warn, bad), "notes.yaml")
    assert kept.verdict is Verdict.USE
    assert warnings([kept]) == ("a.fits is used by order of notes.yaml although cloud; bright sky",)
    assert Vetted(info, "a.fits").verdict is Verdict.USE
    many = [Vetted(info, f"{i}.fits", (warn,)) for i in range(9)]
    (line,) = warnings(many)
    assert line.startswith("9 frames have the fault 'sky', the first of them 0.fits: bright sky")


def test_every_limit_has_a_description_a_default_and_a_unit():
    for name, schema in VET_PARAMS.items():
        assert {"description", "default", "unit", "type"} <= set(schema), name
        assert schema["description"][-1] in ".!", name


def test_a_plane_is_the_least_squares_plane():
    """Against numpy.linalg.lstsq."""
    rng = np.random.default_rng(5)
    grid = rng.normal(100, 3, (9, 14))
    y, x = np.meshgrid(np.linspace(-1, 1, 9), np.linspace(-1, 1, 14), indexing="ij")
    terms = np.stack([np.ones_like(x), y, x], axis=-1).reshape(-1, 3)
    c, b, a = np.linalg.lstsq(terms, grid.ravel(), rcond=None)[0]
    np.testing.assert_allclose(plane(grid), b * y + a * x, atol=1e-10)
    assert c == pytest.approx(grid.mean())


def test_smoothing_is_a_3_by_3_mean():
    """Against scipy.ndimage.uniform_filter."""
    from scipy.ndimage import uniform_filter

    grid = np.random.default_rng(6).normal(0, 1, (7, 11))
    np.testing.assert_allclose(smooth(grid), uniform_filter(grid, 3, mode="nearest"), atol=1e-12)


def test_a_map_of_the_same_shape_leaves_nothing_at_any_strength():
    glow = np.exp(-np.linspace(0, 5, 96)).reshape(8, 12)
    assert swing(unlike(7 * glow + 30, glow)) < 1e-9
    assert swing(unlike(glow + np.linspace(0, 1, 12), glow)) > 0.5


def test_lights_without_any_stars_are_doubted_together_and_set_aside_among_starry_ones():
    def light(stars, number, level=1.0):
        return subject(
            Kind.LIGHT, level, exposure=60.0, number=number, stars={"stars": float(stars)}
        )

    found = defaultdict(list)
    judge_labels([light(0, i) for i in range(4)], found)
    assert [found[i][0].verdict for i in range(4)] == [Verdict.WARN] * 4
    found = defaultdict(list)
    judge_labels([*(light(200, i, 400.0) for i in range(4)), light(0, 4)], found)
    assert not any(found[i] for i in range(4))
    assert found[4][0].verdict is Verdict.SET_ASIDE
    assert "labelled a light (header) but measures as a dark" in found[4][0].reason
