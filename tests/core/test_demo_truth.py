"""The demo's result against the truth it was made from: what the main job must reach.

The truth is the simulation's own; the least noise is that of the best linear estimate (Aitken
1935) under the photon, dark-current and read noise of the EMVA 1288 sensor model.
"""

import json
import subprocess
import sys

import pytest

KINDS = ("colour", "mono")


@pytest.fixture(scope="module", params=KINDS)
def scores(request, tmp_path_factory):
    """The demo of one kind, run as a user runs it."""
    folder = tmp_path_factory.mktemp("demo")
    done = subprocess.run(
        [sys.executable, "-m", "coldframe.cli", "demo", "night", "--kind", request.param, "--json"],
        cwd=folder, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    (result,) = json.loads(done.stdout)
    return request.param, result["scores"], result


def each(scores, name):
    found = {label: s[name] for label, s in scores[1].items() if name in s}
    assert found, f"no stack has {name}"
    return found


def test_noise_is_within_5_percent_of_the_best_these_frames_allow(scores):
    for label, ratio in each(scores, "noise_ratio").items():
        assert ratio < 1.05, label


def test_unsaturated_stars_keep_their_brightness_to_half_a_percent(scores):
    """Within 0.5 % beyond what photon noise leaves open (two standard errors)."""
    for label, bias in each(scores, "photometry_bias").items():
        assert abs(bias) < 0.5 + 2 * scores[1][label]["photometry_error"], label
    for label, bias in each(scores, "photometry_faint").items():
        assert abs(bias) < 0.5 + 2 * scores[1][label]["photometry_faint_error"], label


def test_vignetting_left_is_under_three_thousandths_of_the_sky(scores):
    for label, left in each(scores, "vignetting").items():
        assert abs(left) < 0.3, label


def test_stars_are_in_place_to_a_tenth_of_a_pixel(scores):
    for label, field in each(scores, "astrometry_field").items():
        assert field < 0.1, label


def test_trails_are_not_seen(scores):
    for label, left in each(scores, "trail_residual").items():
        assert left < 1, label


def test_the_nebula_keeps_its_brightness_to_2_percent(scores):
    for label, error in each(scores, "nebula_error").items():
        assert abs(error) < 2, label


def test_thick_cloud_and_bad_focus_are_set_aside_with_reasons(scores):
    assert all(s["hopeless_used"] == 0 for s in scores[1].values())
    reasons = " ".join(frame["reason"] for frame in scores[2]["set_aside"])
    assert "cloud: " in reasons
    assert "out of focus" in reasons
