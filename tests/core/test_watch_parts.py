"""Parts of watching a night: whole files, trends, the growing picture."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from coldframe.errors import SetAside, UsageError
from coldframe.frame import Flag, Frame, FrameInfo
from coldframe.watching.arrivals import Arrivals
from coldframe.watching.picture import Picture, load
from coldframe.watching.trends import Light, warnings

# -- arrivals --------------------------------------------------------------------------------


class Reader:
    """Reads files whose first byte says how many bytes they have."""

    name, version, suffixes = "toy", "1", (".raw",)

    def __init__(self):
        self.read = []

    def read_info(self, path):
        return [(FrameInfo(path=str(path)), {})] if path.stat().st_size else []

    def read_frame(self, info):
        self.read.append(info.label)
        text = Path(info.path).read_bytes()
        if len(text) < text[0]:
            raise SetAside(f"{info.label}: truncated after {len(text)} bytes")
        if text[0] == 255:
            raise RuntimeError("cannot happen")
        return Frame(np.zeros((2, 2), np.float32), np.zeros((2, 2), np.uint8), info)


@pytest.fixture
def watched(tmp_path):
    reader = Reader()
    return SimpleNamespace(
        folder=tmp_path, reader=reader, arrivals=Arrivals([tmp_path], [reader], 3.0, 1)
    )


def test_a_file_is_read_only_when_it_is_steady(watched):
    file = watched.folder / "a.raw"
    file.write_bytes(b"\x09abc")
    assert watched.arrivals.poll(0.0) == []
    file.write_bytes(b"\x09abcdef")
    assert watched.arrivals.poll(2.0) == []
    assert watched.arrivals.poll(4.0) == []
    assert watched.reader.read == []
    assert watched.arrivals.waiting == {"a.raw": "still being written"}
    assert watched.arrivals.whole == frozenset()


def test_half_a_file_is_tried_again_and_never_taken(watched):
    file = watched.folder / "a.raw"
    file.write_bytes(b"\x09abc")
    for now in range(20):
        assert watched.arrivals.poll(float(now)) == []
    assert watched.arrivals.waiting == {"a.raw": "truncated after 4 bytes"}
    assert 1 < len(watched.reader.read) < 6  # less and less often
    file.write_bytes(b"\x09abcdefgh")
    assert watched.arrivals.poll(20.0) == []
    assert watched.arrivals.poll(23.0) == ["a.raw"]
    assert watched.arrivals.whole == {file}
    assert watched.arrivals.poll(30.0) == []


def test_a_file_that_changes_is_taken_anew_and_one_that_goes_is_forgotten(watched):
    file = watched.folder / "a.raw"
    file.write_bytes(b"\x01")
    watched.arrivals.poll(0.0)
    assert watched.arrivals.poll(3.0) == ["a.raw"]
    file.write_bytes(b"\x02a")
    assert watched.arrivals.poll(4.0) == []
    assert watched.arrivals.whole == frozenset()
    assert watched.arrivals.poll(7.0) == ["a.raw"]
    file.unlink()
    watched.arrivals.poll(8.0)
    assert watched.arrivals.changed == 8.0
    assert watched.arrivals.whole == frozenset()


def test_a_file_that_grows_while_it_is_read_is_not_taken(watched, monkeypatch):
    file = watched.folder / "a.raw"
    file.write_bytes(b"\x01")
    watched.arrivals.poll(0.0)
    real = watched.reader.read_frame

    def read(info):
        frame = real(info)
        file.write_bytes(b"\x01more")
        return frame

    monkeypatch.setattr(watched.reader, "read_frame", read)
    assert watched.arrivals.poll(3.0) == []


def test_a_readers_own_fault_is_one_line_and_an_empty_file_waits(watched):
    (watched.folder / "a.raw").write_bytes(b"\xff" * 255)
    (watched.folder / "b.raw").touch()
    watched.arrivals.poll(0.0)
    watched.arrivals.poll(3.0)
    assert watched.arrivals.waiting == {
        "a.raw": "cannot be read: RuntimeError: cannot happen",
        "b.raw": "holds no frame yet",
    }
    assert not watched.arrivals.settled(20.0, 30.0)
    assert watched.arrivals.settled(40.0, 30.0)


def test_an_empty_folder_waits_and_a_missing_one_is_an_error(watched):
    assert watched.arrivals.poll(0.0) == []
    with pytest.raises(UsageError):
        Arrivals([watched.folder / "none"], [watched.reader], 3.0, 1).poll(0.0)


# -- trends ----------------------------------------------------------------------------------


def night(
    n, rng, stars=lambda t: 300.0, fwhm=lambda t: 3.0, sky=lambda t: 10.0, flux=lambda t: 1.0
):
    """A night whose counts scatter as Poisson's and whose other numbers by some per cent."""
    return [
        Light(
            f"{i}.fits",
            None,
            float(rng.poisson(stars(i / n))),
            fwhm(i / n) * (1 + 0.04 * rng.standard_normal()),
            sky(i / n) * (1 + 0.02 * rng.standard_normal()),
            flux(i / n) * (1 + 0.03 * rng.standard_normal()),
            ("L", 60.0),
        )
        for i in range(n)
    ]


def told(lights):
    """Every warning of a night that grows light by light."""
    out = {}
    for i in range(1, len(lights) + 1):
        for text in warnings(lights[:i]):
            out.setdefault(text.split()[0], []).append(i)
    return out


def test_a_steady_night_gives_no_warning():
    for seed in range(20):
        rng = np.random.default_rng(seed)
        # Slowly setting: a third of the stars lost, the sky 10 % brighter, over the whole night.
        lights = night(40, rng, stars=lambda t: 300 - 60 * t, sky=lambda t: 10 + t)
        assert told(lights) == {}, seed


def test_clouds_are_told_within_a_few_frames_and_end():
    for seed in range(10):
        rng = np.random.default_rng(seed)
        lights = night(40, rng, stars=lambda t: 300 if not 0.5 <= t < 0.75 else 100)
        found = told(lights)
        assert set(found) == {"clouds?"}
        assert found["clouds?"][0] in (22, 23)
        assert found["clouds?"][-1] <= 32


def test_thin_clouds_show_in_the_stars_light():
    lights = night(30, np.random.default_rng(1), flux=lambda t: 1.0 if t < 0.5 else 0.5)
    assert set(told(lights)) == {"thin"}


def test_focus_that_drifts_and_dawn_are_told():
    for seed in range(10):
        rng = np.random.default_rng(seed)
        assert set(told(night(40, rng, fwhm=lambda t: 3.0 + 1.2 * max(0.0, t - 0.4)))) == {"focus?"}
        dawn = told(night(40, rng, sky=lambda t: 10.0 * (1 + max(0.0, 8 * (t - 0.7)) ** 2)))
        assert set(dawn) == {"the"}
        assert 29 < dawn["the"][0] < 38


def test_filters_are_not_held_against_each_other():
    rng = np.random.default_rng(5)
    first = night(10, rng)
    second = [replace(light, setting=("B", 60.0)) for light in night(10, rng, stars=lambda t: 60)]
    assert told(first + second) == {}
    assert warnings([]) == []
    assert warnings([Light("x"), Light("y"), *[Light("z")] * 6]) == []


# -- the picture -----------------------------------------------------------------------------


def frame(data, bad=(), **info):
    flags = np.zeros(data.shape[-2:], np.uint8)
    for y, x in bad:
        flags[y, x] = Flag.NO_DATA
    return Frame(data.astype(np.float32), flags, FrameInfo(exposure=60.0, **info))


@pytest.mark.parametrize("shape", [(30, 40), (3, 30, 40)])
def test_the_picture_is_the_mean_of_frames_of_one_sky_level(shape):
    rng = np.random.default_rng(2)
    scene = rng.uniform(0, 500, shape)
    frames = [scene + 1000 * i + rng.normal(0, 5, shape) for i in range(7)]
    picture = Picture()
    for i, data in enumerate(frames):
        picture.add(f"f{i}", frame(data, bad=[(3, 4)] if i else []), calibrated=i > 2)
    levels = [np.median(f, axis=(-2, -1), keepdims=True) for f in frames]
    wanted = np.mean([f - v + levels[0] for f, v in zip(frames, levels, strict=True)], axis=0)
    got = picture.frame.data
    good = np.ones(shape[-2:], bool)
    good[3, 4] = False
    np.testing.assert_allclose(got[..., good], wanted[..., good], atol=1.0)
    np.testing.assert_allclose(got[..., 3, 4], frames[0][..., 3, 4], atol=0.01)
    assert picture.uncalibrated == 3
    assert picture.exposure == 420.0
    with pytest.raises(SetAside):
        picture.add("small", frame(np.zeros((4, 4))), calibrated=True)
    with pytest.raises(SetAside):
        picture.add("empty", frame(np.zeros((1, 1)), bad=[(0, 0)]), calibrated=True)
    assert len(picture.frames) == 7


def test_a_picture_that_was_kept_goes_on_to_the_same_bytes(tmp_path):
    rng = np.random.default_rng(3)
    frames = [frame(rng.normal(1000, 10, (20, 30)), bad=[(i, i)]) for i in range(6)]
    straight, broken = Picture("x", "digest", "file"), Picture("x", "digest", "file")
    for i, one in enumerate(frames):
        straight.add(f"f{i}", one, calibrated=True)
        broken.add(f"f{i}", one, calibrated=True)
        broken.anchors["register · ° 1"] = {"frame": "a" * 40, "survey": "b" * 40}
        broken.save(tmp_path / "p.fits")
        broken = load(tmp_path / "p.fits")
        assert broken is not None
    np.testing.assert_array_equal(broken.frame.data, straight.frame.data)
    np.testing.assert_array_equal(broken.frame.flags, straight.frame.flags)
    assert broken.frames == straight.frames
    assert broken.anchors == {"register · ° 1": {"frame": "a" * 40, "survey": "b" * 40}}
    assert broken.png() == straight.png()


def test_a_damaged_or_missing_picture_is_begun_anew(tmp_path):
    assert load(tmp_path / "none.fits") is None
    (tmp_path / "cut.fits").write_bytes(b"SIMPLE")
    assert load(tmp_path / "cut.fits") is None
    Picture().save(tmp_path / "nothing.fits")
    assert not (tmp_path / "nothing.fits").exists()
