"""Planes left in their files, and FITS written in pieces."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from astropy.io import fits

from coldframe import planes as planes_module
from coldframe.checksum import add_words, added, encoded, file_sum
from coldframe.errors import DamagedError
from coldframe.fitsfile import index
from coldframe.frame import Ancestor, Frame, FrameInfo
from coldframe.planes import Filed, Held, Joined, Planes, only, pieces, whole, with_planes
from coldframe.product import Bands, open_planes, read_frame, write_frame

RNG = np.random.default_rng(5)


def frame(shape=(3, 37, 53)):
    size = shape[-2:]
    return Frame(
        data=RNG.normal(1000, 9, shape).astype(np.float32),
        flags=RNG.integers(0, 128, size).astype(np.uint8),
        info=FrameInfo(camera="Toy", exposure=2.5),
        planes={
            "variance": RNG.random(shape).astype(np.float32),
            "count": RNG.integers(0, 65536, shape).astype(np.uint16),
            "odd": RNG.integers(0, 256, (7, 5)).astype(np.uint8),
            "wide": RNG.random((5, 3)),
            "signed": RNG.integers(-9, 9, (4, 4)).astype(np.int32),
            "large": RNG.integers(0, 2**32, (4, 4)).astype(np.uint32),
        },
        measures={"frames": 3.0},
        history=("first", "second"),
        provenance=(Ancestor("k", "s 1", '{"a": 1}', ("x", "yy")),),
    )


@pytest.fixture(params=[1 << 20, 64])
def piece(request, monkeypatch):
    """Large and tiny pieces: where a file is cut must not show."""
    monkeypatch.setattr(planes_module, "PIECE", request.param)


@pytest.mark.parametrize("shape", [(3, 37, 53), (37, 53)])
def test_a_frame_comes_back_as_it_was(tmp_path, piece, shape):
    made = frame(shape)
    write_frame(tmp_path / "f.fits", made)
    back = read_frame(tmp_path / "f.fits")
    for name, array in {"data": made.data, "flags": made.flags, **made.planes}.items():
        other = {"data": back.data, "flags": back.flags, **back.planes}[name]
        assert other.dtype == array.dtype
        np.testing.assert_array_equal(other, array)
    assert list(back.planes) == list(made.planes)
    assert (back.info, back.measures, back.history) == (made.info, made.measures, made.history)


def test_a_raw_frame_keeps_its_whole_numbers(tmp_path):
    data = RNG.integers(0, 65536, (6, 8)).astype(np.uint16)
    write_frame(tmp_path / "f.fits", Frame(data, np.zeros((6, 8), np.uint8), FrameInfo()))
    assert read_frame(tmp_path / "f.fits").data.tobytes() == data.tobytes()
    got, flags = np.empty((2, 8), np.float32), np.empty((2, 8), np.uint8)
    Bands(tmp_path / "f.fits").read(3, 5, 0, got, flags)
    np.testing.assert_array_equal(got, data[3:5])


def test_planes_pass_from_file_to_file_in_the_same_bytes(tmp_path, piece):
    write_frame(tmp_path / "a.fits", frame())
    once = read_frame(tmp_path / "a.fits")
    write_frame(tmp_path / "b.fits", once)
    write_frame(tmp_path / "c.fits", read_frame(tmp_path / "b.fits"))
    assert (tmp_path / "b.fits").read_bytes() == (tmp_path / "c.fits").read_bytes()
    cut = index(tmp_path / "b.fits")[0]
    assert (tmp_path / "a.fits").read_bytes()[cut.at : cut.at + cut.size] == once.data.astype(
        ">f4"
    ).tobytes()


def test_planes_stay_in_the_file_until_they_are_asked_for(tmp_path):
    path = tmp_path / "f.fits"
    made = frame()
    write_frame(path, made)
    back = read_frame(path)
    few = only(back.planes, ["count", "none"])
    more = with_planes(back.planes, {"new": np.zeros(2), "count": np.ones(3)})
    path.unlink()
    assert list(few) == ["count"]
    assert list(more) == [*made.planes, "new"]
    assert more["count"].sum() == 3
    with pytest.raises(DamagedError, match=r"f\.fits"):
        few["count"]


def test_joined_planes_are_read_like_one(piece):
    image = RNG.random((3, 20, 7))
    cuts = [0, 4, 5, 13, 20]
    parts = [Held(image[:, a:b]) for a, b in pairwise(cuts)]
    joined = Joined(tuple(parts))
    assert joined.shape == image.shape
    np.testing.assert_array_equal(joined.rows(2, 3, 14), image[2, 3:14])
    np.testing.assert_array_equal(whole(joined), image)
    np.testing.assert_array_equal(
        np.concatenate(list(map(np.ravel, pieces(joined)))), image.ravel()
    )
    np.testing.assert_array_equal(Planes({"a": joined})["a"], image)


@pytest.mark.parametrize("left", [0, 100, 2880, 2880 * 4, -2880])
def test_a_damaged_file_is_named(tmp_path, left):
    path = tmp_path / "f.fits"
    write_frame(path, frame())
    path.write_bytes(path.read_bytes()[:left])
    for read in (read_frame, open_planes, Bands):
        with pytest.raises(DamagedError, match=r"f\.fits"):
            read(path)


def test_a_plane_that_is_cut_short_while_in_use_is_named(tmp_path):
    path = tmp_path / "f.fits"
    write_frame(path, frame())
    plane = open_planes(path)["variance"]
    path.write_bytes(path.read_bytes()[: plane.at + 8])
    with pytest.raises(DamagedError, match=r"f\.fits is shorter than its header says"):
        plane.whole()


def test_types_that_fits_has_no_number_for_are_refused(tmp_path):
    made = Frame(
        np.zeros((2, 2), np.float32),
        np.zeros((2, 2), np.uint8),
        FrameInfo(),
        planes={"half": np.zeros((2, 2), np.float16)},
    )
    with pytest.raises(ValueError, match="float16"):
        write_frame(tmp_path / "f.fits", made)


def test_fill_converts_where_the_type_differs(tmp_path):
    write_frame(tmp_path / "f.fits", frame())
    plane = open_planes(tmp_path / "f.fits")["count"]
    assert isinstance(plane, Filed)
    out = np.empty((3, 53))
    plane.fill(1, 5, 8, out)
    np.testing.assert_array_equal(out, plane.whole()[1, 5:8])


def test_checksum_characters_decode_to_the_complement():
    # FITS 4.0, Appendix J.2: take the rotation back, subtract '0' from each character, and the
    # ones' complement sum of the four words is the complement of what was encoded.
    for total in (0, 1, 0xFFFFFFFF, 0x12345678, 868229149):
        text = encoded(total)
        assert text.isalnum()
        turned = bytes(ord(c) - 48 for c in text[1:] + text[0])
        value = sum(int.from_bytes(turned[i : i + 4]) for i in (0, 4, 8, 12))
        while value >> 32:
            value = (value & 0xFFFFFFFF) + (value >> 32)
        assert value == ~total & 0xFFFFFFFF
    # The example of CFITSIO's user's guide for encoding a checksum; from memory.
    assert encoded(868229149) == "hcHjjc9ghcEghc9g"


def ones_complement(data: bytes) -> int:
    """FITS 4.0, Appendix J.1, word for word: big-endian words, each carry added at the low end."""
    total = 0
    for i in range(0, len(data), 4):
        total += int.from_bytes(data[i : i + 4].ljust(4, b"\0"), "big")
        if total >> 32:
            total = (total & 0xFFFFFFFF) + 1
    return total


@pytest.mark.parametrize("size", [0, 1, 4, 7, 8, 4099, 3 << 20])
def test_words_are_summed_as_the_standard_says(tmp_path, size):
    data = np.random.default_rng(size).integers(0, 256, size, np.uint8).tobytes()
    assert add_words(0, data) == ones_complement(data)
    assert add_words(0xFFFFFFF0, data) == added(0xFFFFFFF0, ones_complement(data))
    assert add_words(0, b"\xff" * size) == ones_complement(b"\xff" * size)
    (tmp_path / "x").write_bytes(data)
    assert file_sum(tmp_path / "x") == ones_complement(data)


def test_a_sum_tells_a_lost_block_and_zeros_from_nothing_lost(tmp_path):
    write_frame(tmp_path / "f.fits", frame(), checksum=False)
    data = (tmp_path / "f.fits").read_bytes()
    lost = bytearray(data)
    lost[4096:8192] = bytes(4096)
    assert add_words(0, lost) != add_words(0, data)
    assert add_words(0, bytes(len(data))) == 0 != add_words(0, data)


@pytest.mark.parametrize("checksum", [False, True])
def test_the_sum_made_while_writing_is_that_of_the_file(tmp_path, checksum):
    path = tmp_path / "f.fits"
    made = write_frame(path, frame(), checksum=checksum)
    assert made == ones_complement(path.read_bytes())
    # Appendix J: an HDU that carries its checksum sums to minus zero, and so do all of them.
    assert not checksum or made == 0xFFFFFFFF


def test_flags_that_no_pixel_has_take_no_room_in_between(tmp_path):
    marked = frame()
    plain = replace(marked, flags=np.zeros_like(marked.flags))
    for name, checksum in (("between", False), ("kept", True)):
        path = tmp_path / f"{name}.fits"
        write_frame(path, plain, checksum=checksum)
        with fits.open(path) as hdus:
            assert ("FLAGS" in hdus) == checksum
        again = read_frame(path)
        assert again.flags.dtype == np.uint8
        assert again.flags.shape == plain.shape
        assert not again.flags.any()
        data, marks = np.empty((3, plain.shape[1]), np.float32), np.full((3, plain.shape[1]), 9)
        Bands(path).read(2, 5, 0, data, marks)
        assert not marks.any()
        joined = Joined((open_planes(path)["flags"], Held(marked.flags)))
        np.testing.assert_array_equal(whole(joined), np.concatenate([plain.flags, marked.flags]))
