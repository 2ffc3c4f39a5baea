"""Objects as large as the frame, on simulated stacks: what is left of them, and what is said."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from coldframe.frame import Array, Frame, FrameInfo
from coldframe.renamed import now_called
from coldframe.step import Context
from coldframe_steps.background.hills import hill
from coldframe_steps.background.step import BackgroundFit

SHAPE = (280, 400)
SKY = 1000.0  # ADU
PEAK = 60.0  # ADU
NOISE = 2.0  # ADU, of a pixel
BIG, FILLING = (0.20, 0.30), (0.40, 0.60)  # sigmas of the object, shares of the width


def places() -> tuple[Array, Array]:
    height, width = SHAPE
    y, x = np.mgrid[0:height, 0:width]
    return (2 * y + 1) / height - 1, (2 * x + 1) / width - 1


def sky(kind: str) -> Array:
    """A gradient of 100% of the mean across the frame, in relative numbers; or none."""
    y, x = places()
    along = (0.9 * x + 0.3 * y) / 1.2
    return {
        "even": np.ones(SHAPE),
        "plane": 1 + along / 2,
        "steepening": 2 ** ((along + 1) / 2) / 1.44,
        "bent both ways": 1 + along / 2 + 0.05 * x * x + 0.03 * y * y,
    }[kind]


def nebula(size: tuple[float, float] | None, middle: tuple[float, float] = (0.5, 0.5)) -> Array:
    height, width = SHAPE
    if size is None:
        return np.zeros(SHAPE)
    y, x = np.mgrid[0:height, 0:width]
    dy, dx = (y - middle[0] * height) / width, (x - middle[1] * width) / width
    return PEAK * np.exp(-0.5 * ((dy / size[0]) ** 2 + (dx / size[1]) ** 2))


@cache
def fitted(
    size: tuple[float, float] | None, kind: str, middle: tuple[float, float] = (0.5, 0.5)
) -> tuple[Frame, Array, Array]:
    """(result, true sky, true nebula)"""
    rng = np.random.default_rng(5)
    glow, object_ = SKY * sky(kind), nebula(size, middle)
    data = (glow + object_ + rng.normal(0, NOISE, SHAPE)).astype(np.float32)
    frame = Frame(data, np.zeros(SHAPE, np.uint8), FrameInfo(path="stack"))
    return BackgroundFit().apply(frame, Context(params={})), glow, object_


def kept(out: Frame, glow: Array, object_: Array) -> float:
    """Share of the nebula's peak, above its faintest 3%, that is left in the result."""
    error = out.planes["background"] - glow
    top, low = object_ >= 0.97 * object_.max(), object_ <= np.quantile(object_, 0.03)
    true = object_[top].mean() - object_[low].mean()
    return float(1 - (error[top].mean() - error[low].mean()) / true)


@pytest.mark.parametrize("kind", ["even", "plane", "steepening"])
@pytest.mark.parametrize("middle", [(0.5, 0.5), (0.58, 0.42)])
def test_a_large_nebula_keeps_its_peak_within_3_percent(kind, middle):
    assert kept(*fitted(BIG, kind, middle)) == pytest.approx(1, abs=0.03)


@pytest.mark.parametrize("kind", ["even", "plane", "steepening"])
def test_a_nebula_that_fills_the_frame_keeps_its_peak_within_10_percent(kind):
    assert kept(*fitted(FILLING, kind)) == pytest.approx(1, abs=0.10)


@pytest.mark.parametrize("kind", ["even", "plane", "steepening", "bent both ways"])
def test_a_sky_without_a_nebula_becomes_flat(kind):
    out, glow, _ = fitted(None, kind)
    error = out.planes["background"] - glow
    assert np.std(error) < 0.25  # ADU, of a gradient of 1000
    assert "object_error" not in out.measures
    assert out.measures["background_error"] < 0.5


@pytest.mark.parametrize(
    ("size", "kind"),
    [(BIG, "plane"), (BIG, "bent both ways"), (FILLING, "plane"), (FILLING, "bent both ways")],
)
def test_the_error_that_is_told_holds_the_true_one(size, kind, caplog):
    out, glow, object_ = fitted(size, kind)
    told = out.measures["object_error"] / 100
    assert abs(kept(out, glow, object_) - 1) < 3 * told + 0.005


def test_what_cannot_be_told_is_said(caplog):
    fitted.cache_clear()
    out, _, _ = fitted(FILLING, "bent both ways")
    assert out.measures["object_error"] > 10 or "background_left" in out.measures
    assert "uncertain by" in out.history[-1]
    assert "stack: " in caplog.text
    assert "certain to" in caplog.text or "left in the picture" in caplog.text


def test_hills_are_those_of_their_formula():
    """A Gaussian for no tail, and (1 + t r^2 / 2)^(-1/t) near it; 0 beyond r^2 = -2/t."""
    y, x = np.zeros(5), np.linspace(0, 2, 5)
    shape = np.array([0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    np.testing.assert_allclose(hill(shape, y, x), np.exp(-(x**2) / 2))
    shape[5] = 0.5
    np.testing.assert_allclose(hill(shape, y, x), (1 + x**2 / 4) ** -2.0)
    shape[5] = -0.6
    np.testing.assert_allclose(hill(shape, y, x), np.maximum(1 - 0.3 * x**2, 0) ** (1 / 0.6))


@pytest.mark.parametrize(
    ("old", "new"),
    [("samples", "patches_across"), ("box", "patch_size"), ("smoothing", "stiffness"),
     ("mode", "remove_by"), ("protect", "protect_nebula"), ("target", "exclude_circle")],
)  # fmt: skip
def test_old_words_lead_to_new_ones(old, new):
    assert old not in BackgroundFit.params
    assert new in BackgroundFit.params
    assert new in now_called(old, "step background-fit")
