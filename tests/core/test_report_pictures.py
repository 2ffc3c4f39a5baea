"""Small copies of products, and that both pictures of a pair get one stretch."""

from __future__ import annotations

import base64
import io
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from coldframe.errors import DamagedError
from coldframe.frame import Array, Flag, Frame, FrameInfo
from coldframe.report.glance import Album, colours, glance, middle
from coldframe.report.pictures import fit, moved, picture, skies
from coldframe.stretch import render


def frame(
    data: Array, flags: Array | None = None, cfa: str | None = None, **planes: Array
) -> Frame:
    data = np.asarray(data, np.float32)
    flags = np.zeros(data.shape[-2:], np.uint8) if flags is None else flags
    return Frame(data, flags, FrameInfo(cfa=cfa), planes)


def sky(seed: int = 1, level: float = 900.0) -> Array:
    rng = np.random.default_rng(seed)
    image = rng.normal(level, 10, (3, 60, 80))
    image[:, 30:33, 40:43] += 3000
    return image.astype(np.float32)


@pytest.mark.parametrize("cfa", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_a_mosaic_is_shown_with_its_colours(cfa: str) -> None:
    value = {"R": 100.0, "G": 200.0, "B": 300.0}
    block = np.array([value[name] for name in cfa]).reshape(2, 2)
    shown = colours(frame(np.tile(block, (3, 4)), cfa=cfa))
    assert shown.data.shape == (3, 3, 4)
    assert [np.unique(plane).tolist() for plane in shown.data] == [[100.0], [200.0], [300.0]]


def test_a_block_of_a_mosaic_keeps_all_its_flags() -> None:
    flags = np.zeros((5, 4), np.uint8)
    flags[0, 1], flags[1, 0], flags[3, 3] = Flag.HOT, Flag.SATURATED, Flag.NO_DATA
    shown = colours(frame(np.ones((5, 4)), flags, "RGGB"))
    assert shown.flags.tolist() == [[Flag.HOT | Flag.SATURATED, 0], [0, Flag.NO_DATA]]


def test_what_is_not_finite_is_no_data() -> None:
    data = np.ones((3, 4, 4))
    data[1, 2, 3] = np.nan
    shown = colours(frame(data))
    assert np.argwhere(shown.flags).tolist() == [[2, 3]]
    assert shown.flags[2, 3] == Flag.NO_DATA


def test_the_middle_is_the_same_place_in_frames_of_one_size() -> None:
    ramp = np.arange(20 * 30, dtype=np.float32).reshape(20, 30)
    assert middle(frame(ramp), (4, 6)).data.tolist() == ramp[8:12, 12:18].tolist()
    assert middle(frame(ramp), (100, 100)).data.tolist() == ramp.tolist()


def test_a_frame_on_another_level_looks_the_same_under_the_moved_stretch() -> None:
    after = frame(sky())
    before = frame(sky() + np.array([500.0, 700.0, 20.0]).reshape(3, 1, 1))
    stretch = fit(after)
    assert stretch is not None
    one, other = render(after, stretch), render(before, moved(stretch, skies(after), skies(before)))
    assert np.abs(one.astype(int) - other.astype(int)).max() <= 1
    assert np.ptp(one) > 100


def test_a_noisier_frame_looks_noisier_under_the_moved_stretch() -> None:
    after = frame(sky())
    noisy = frame(after.data + np.random.default_rng(2).normal(0, 40, after.data.shape))
    stretch = fit(after)
    assert stretch is not None
    calm, rough = render(after, stretch), render(noisy, moved(stretch, skies(after), skies(noisy)))
    assert rough.std() > 1.5 * calm.std()


def test_a_picture_has_the_pixels_of_the_stretch() -> None:
    shown = frame(sky())
    stretch = fit(shown)
    assert stretch is not None
    made = picture(shown, stretch, name="n", caption="c", alt="a")
    data = base64.b64decode(made.uri.partition(",")[2])
    decoded = np.asarray(Image.open(io.BytesIO(data)).convert("L"), float)
    wanted = np.asarray(Image.fromarray(render(shown, stretch)).convert("L"), float)
    assert (made.height, made.width) == decoded.shape
    assert np.abs(decoded - wanted).mean() < 4  # JPEG keeps brightness about this well


def test_maps_keep_the_extremes_of_the_whole_plane() -> None:
    count = np.full((1200, 40), 7, np.uint16)
    count[600, 20] = 1
    seen = glance(frame(np.ones((1200, 40)), count=count, odd=count[:3]))
    shown = seen.map("count")
    assert shown is not None
    assert (shown.low, shown.high) == (1.0, 7.0)
    assert shown.data.shape[0] == 500
    assert seen.map("odd") is None
    assert seen.map("weight") is None


def test_maps_leave_out_what_is_not_a_number() -> None:
    weight = np.ones((3, 10, 10), np.float32)
    weight[:, 0] = np.nan
    seen = glance(frame(np.ones((3, 10, 10)), weight=weight, high=weight * np.nan))
    shown = seen.map("weight")
    assert shown is not None
    assert (shown.low, shown.high) == (1.0, 1.0)
    assert seen.map("high") is None


def test_each_product_is_read_once() -> None:
    reads: list[str] = []

    def read(key: str) -> Frame | None:
        reads.append(key)
        return frame(np.ones((8, 8))) if key == "here" else None

    album = Album(read)
    for _ in range(3):
        assert album.glance("here") is not None
        assert album.glance("gone") is None
        assert album.glance(None) is None
    assert reads == ["here", "gone"]


def test_a_product_is_read_once_whichever_threads_ask() -> None:
    reads: list[str] = []

    def read(key: str) -> Frame | None:
        reads.append(key)
        time.sleep(0.05)
        return frame(np.ones((8, 8)))

    album = Album(read)
    with ThreadPoolExecutor(4) as pool:
        seen = list(pool.map(album.glance, ["here"] * 4))
    assert reads == ["here"]
    assert all(glance is seen[0] for glance in seen)


def test_all_who_ask_for_a_product_hear_why_it_cannot_be_read() -> None:
    def read(key: str) -> Frame | None:
        raise DamagedError(f"{key} is damaged", Path(key))

    album = Album(read)
    for _ in range(2):
        with pytest.raises(DamagedError, match="it is damaged"):
            album.glance("it")
