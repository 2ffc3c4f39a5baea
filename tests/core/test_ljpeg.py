"""The demo's lossless JPEG: what LibRaw decodes is what was put in; codes as short as they can be."""

import heapq
import itertools
import math
from datetime import UTC, datetime

import numpy as np
import pytest
import rawpy
from hypothesis import given, settings
from hypothesis import strategies as st

from coldframe.demo.dng import DngFacts, write_dng
from coldframe.demo.ljpeg import LONGEST_CODE, HuffmanTable, encode, huffman_table

FACTS = DngFacts(
    make="Nachtauge",
    model="N1",
    cfa="RGGB",
    black=(0.0,) * 4,
    white=65535,
    exposure=120.0,
    iso=1600,
    start=datetime(2025, 3, 20, tzinfo=UTC),
)
Y, X = np.indices((60, 90), dtype=np.uint16)
FRAMES = {
    "noise of all values": np.random.default_rng(1).integers(0, 65536, (60, 90), dtype=np.uint16),
    "one value": np.full((60, 90), 32768, np.uint16),
    "all dark": np.zeros((60, 90), np.uint16),
    "all white": np.full((60, 90), 65535, np.uint16),
    "0 and 65535 by turns in one colour": (X // 2 + Y) % 2 * np.uint16(65535),
    "0 and 65535 by colour": (X + Y) % 2 * np.uint16(65535),
    "steps of 32768, the one of category 16": (X // 2 + Y) % 2 * np.uint16(32768),
    "a slope": 700 * X + Y,
}


def decoded(path, mosaic):
    write_dng(path, mosaic, FACTS)
    with rawpy.imread(str(path)) as raw:
        return raw.raw_image.copy()


@pytest.mark.parametrize("name", FRAMES)
def test_another_decoder_finds_the_same_pixels(tmp_path, name):
    assert np.array_equal(decoded(tmp_path / "a.dng", FRAMES[name]), FRAMES[name])


@pytest.mark.parametrize("width", [*range(31, 36), 48, *range(63, 67), 80, 96, 101, 128, 129, 160])
@pytest.mark.parametrize("height", [24, 31, 257])
def test_any_size_comes_back(tmp_path, height, width):
    mosaic = np.random.default_rng(width).integers(0, 16384, (height, width), dtype=np.uint16)
    assert np.array_equal(decoded(tmp_path / "a.dng", mosaic), mosaic)


@pytest.mark.parametrize("name", FRAMES)
def test_no_marker_but_the_last_is_in_the_coded_samples(name):
    # T.81, B.1.1.5: a zero byte follows each 0xFF of the entropy-coded segment.
    for stream in encode(FRAMES[name], (64, 48)):
        start = stream.index(b"\xff\xda")
        coded = stream[start + 2 + int.from_bytes(stream[start + 2 : start + 4], "big") : -2]
        assert coded.count(b"\xff") == coded.count(b"\xff\x00")
        assert stream.endswith(b"\xff\xd9")


def test_noise_takes_the_bits_it_has():
    # The entropy of a rounded normal distribution is log2(sigma sqrt(2 pi e)); differences have
    # sigma sqrt(2). Whole bits for the category and plain ones below it cost some more.
    sigma = 20
    noise = np.random.default_rng(2).normal(2000, sigma, (512, 512)).round().astype(np.uint16)
    entropy = math.log2(sigma * math.sqrt(4 * math.pi * math.e))
    bits = 8 * sum(map(len, encode(noise, (256, 256)))) / noise.size
    assert entropy < bits < 1.05 * entropy


def test_codes_are_those_of_the_standard():
    # T.81, table K.3: BITS and HUFFVAL for luminance DC differences, and the codes they give.
    table = HuffmanTable((0, 1, 5, *[1] * 6, *[0] * 7), tuple(range(12)))
    expected = ["00", "010", "011", "100", "101", "110", *("1" * n + "0" for n in range(3, 9))]
    codes = table.codes()
    assert [f"{code:0{bits}b}" for code, bits in map(codes.get, range(12))] == expected


def plain_huffman(counts):
    """Bits in all, and the longest code's, without a limit (Huffman, 1952), by a heap."""
    heap = [(n, 0) for n in counts if n]
    heapq.heapify(heap)
    total = 0
    while len(heap) > 1:
        (a, deep), (b, deeper) = heapq.heappop(heap), heapq.heappop(heap)
        total += a + b
        heapq.heappush(heap, (a + b, 1 + max(deep, deeper)))
    return total, heap[0][1]


def total_bits(table, counts):
    return sum(counts[symbol] * bits for symbol, (_, bits) in table.codes().items())


COUNTS = st.lists(
    st.one_of(st.integers(0, 3), st.integers(0, 30_000_000)), min_size=1, max_size=40
).filter(any)


@settings(deadline=None)
@given(counts=COUNTS)
def test_codes_can_be_told_apart(counts):
    table = huffman_table(counts)
    codes = table.codes()
    assert set(codes) == {symbol for symbol, n in enumerate(counts) if n}
    assert len(table.lengths) == LONGEST_CODE
    assert sum(table.lengths) == len(table.symbols) == len(codes)
    words = sorted(f"{code:0{bits}b}" for code, bits in codes.values())
    assert all(len(word) <= LONGEST_CODE and "0" in word for word in words)
    assert not any(b.startswith(a) for a, b in itertools.pairwise(words))
    # Kraft: with the code of all ones, which is left out, they fill the tree.
    assert sum(2.0 ** -len(word) for word in words) + 2.0 ** -max(map(len, words)) <= 1


@settings(deadline=None)
@given(counts=COUNTS)
def test_codes_are_as_short_as_they_can_be(counts):
    table = huffman_table(counts)
    best, _ = plain_huffman([*counts, 1])  # with the code of all ones
    longest = max(bits for _, bits in table.codes().values())
    if plain_huffman([*counts, 1])[1] <= LONGEST_CODE:
        assert total_bits(table, counts) + longest == best


@pytest.mark.parametrize("symbols", [17, 20, 30])
def test_codes_of_more_than_16_bits_are_shortened_at_little_cost(symbols):
    counts = [1, 2]
    while len(counts) < symbols:  # with the code of all ones Fibonacci's: the deepest tree
        counts.append(counts[-1] + counts[-2])
    best, deepest = plain_huffman([*counts, 1])
    assert deepest > LONGEST_CODE
    table = huffman_table(counts)
    assert max(bits for _, bits in table.codes().values()) == LONGEST_CODE
    assert best - deepest <= total_bits(table, counts) < 1.002 * best


def test_no_table_without_symbols():
    with pytest.raises(ValueError, match="occurs"):
        huffman_table([0, 0])
