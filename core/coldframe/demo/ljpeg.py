"""Lossless JPEG of a colour filter mosaic, as raw files hold it.

Sources: ITU-T Recommendation T.81, process 14 (lossless, Huffman coded), annexes B (markers),
C (codes), H (differences) and K.2 (code lengths); Adobe, Digital Negative (DNG) Specification
1.4.0.0, Compression = 7: two columns of the mosaic are one column of two components, so that every
pixel is predicted from the last one of the same colour (predictor 1).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit

from coldframe.frame import Array

LONGEST_CODE = 16
"""Bits that T.81 allows a Huffman code."""

_COMPONENTS = 2
_FIRST = 2**15  # T.81, H.1.2.1: what the first sample is predicted as, half of 16 bits


@dataclass(frozen=True, slots=True)
class HuffmanTable:
    """How T.81 writes a table down: how many codes there are of 1, 2, ... 16 bits, and `symbols`
    by increasing code."""

    lengths: tuple[int, ...]
    symbols: tuple[int, ...]

    def codes(self) -> dict[int, tuple[int, int]]:
        """(code, bits) of each symbol (T.81, annex C)."""
        bits = [size for size, n in enumerate(self.lengths, start=1) for _ in range(n)]
        codes: dict[int, tuple[int, int]] = {}
        code = 0
        for before, size, symbol in zip([0, *bits], bits, self.symbols, strict=False):
            code <<= size - before
            codes[symbol] = code, size
            code += 1
        return codes


def huffman_table(counts: Sequence[int]) -> HuffmanTable:
    """The table for symbols 0, 1, ... that occur this often (T.81, annex K.2).

    Symbols that do not occur get no code, and no code is all ones.

    Raises
    ------
    ValueError
        No symbol occurs.
    """
    if not any(counts):
        raise ValueError("a Huffman table needs a symbol that occurs")
    size = [0] * (len(counts) + 1)
    # The last one stands for the code of all ones. Of equals T.81 joins the latest first.
    trees = [(n, -symbol, [symbol]) for symbol, n in enumerate([*counts, 1]) if n]
    while len(trees) > 1:
        trees.sort(key=lambda tree: tree[:2])
        (n, first, ones), (more, _, others) = trees[:2]
        trees[:2] = [(n + more, first, ones + others)]
        for symbol in ones + others:
            size[symbol] += 1
    lengths = [size.count(bits) for bits in range(len(size) + 1)]
    for bits in range(len(lengths) - 1, LONGEST_CODE, -1):  # Figure K.3
        while lengths[bits]:
            shorter = bits - 2
            while not lengths[shorter]:
                shorter -= 1
            # A pair of codes this long becomes the one before its last bit, and a shorter code
            # becomes two.
            lengths[bits] -= 2
            lengths[bits - 1] += 1
            lengths[shorter + 1] += 2
            lengths[shorter] -= 1
    longest = max(bits for bits, n in enumerate(lengths) if n and bits)
    lengths[longest] -= 1
    order = sorted((bits, symbol) for symbol, bits in enumerate(size[:-1]) if bits)
    return HuffmanTable(
        tuple((lengths + [0] * LONGEST_CODE)[1 : LONGEST_CODE + 1]),
        tuple(symbol for _, symbol in order),
    )


def encode(mosaic: Array, tile: tuple[int, int]) -> list[bytes]:
    """`mosaic`, uint16 (y, x), as one JPEG stream for each tile, rows of tiles first.

    tile : (y, x) pixels of each, x even; tiles that reach beyond the mosaic are filled with zeros.
    One Huffman table, made for the whole mosaic, is in every stream.
    """
    differences = [_differences(part) for part in _tiles(mosaic, tile)]
    counts = np.zeros(2**16, np.int64)
    for part in differences:
        counts += np.bincount(part, minlength=2**16)
    sizes = _categories()
    often = np.bincount(sizes, counts, LONGEST_CODE + 1).astype(np.int64)
    table = huffman_table(often.tolist())
    words = _words(sizes, table)
    head = _head(table, tile)
    return [head + _bits(part, words) + b"\xff\xd9" for part in differences]  # EOI


def _tiles(mosaic: Array, tile: tuple[int, int]) -> Iterator[Array]:
    rows, columns = tile
    height, width = mosaic.shape
    for y in range(0, height, rows):
        for x in range(0, width, columns):
            part = mosaic[y : y + rows, x : x + columns]
            whole = np.zeros(tile, np.uint16)
            whole[: part.shape[0], : part.shape[1]] = part
            yield whole


def _differences(tile: Array) -> Array:
    """From what each sample is predicted as, modulo 2^16 (T.81, H.1.2), in the order of coding.

    Along a row that is the sample before; for a row's first, the one above.
    """
    out = tile.copy()
    out[:, _COMPONENTS:] -= tile[:, :-_COMPONENTS]
    out[1:, :_COMPONENTS] -= tile[:-1, :_COMPONENTS]
    out[0, :_COMPONENTS] -= np.uint16(_FIRST)
    return out.ravel()


def _signed() -> Array:
    """The difference that each 16-bit number stands for; 32768 is positive (T.81, table H.2)."""
    numbers = np.arange(2**16, dtype=np.int64)
    return np.where(numbers > 2**15, numbers - 2**16, numbers)


def _categories() -> Array:
    """Of each difference, int64: the bits of its magnitude (T.81, table H.2)."""
    return np.frexp(np.abs(_signed()).astype(np.float64))[1].astype(np.int64)


def _words(sizes: Array, table: HuffmanTable) -> Array:
    """What is written for each difference, int64: its bits above the 5 lowest, which count them.

    The code of its category, then as many bits as the category says: those of the difference, less
    1 where it is negative; none for 32768, the only one of category 16 (T.81, F.1.2.1 and H.1.2.2).
    """
    codes = np.zeros(LONGEST_CODE + 1, np.int64)
    bits = np.zeros(LONGEST_CODE + 1, np.int64)
    for symbol, (code, size) in table.codes().items():
        codes[symbol], bits[symbol] = code, size
    extra = np.where(sizes == LONGEST_CODE, 0, sizes)
    value = _signed()
    low = (value - (value < 0)) & ((1 << extra) - 1)
    words: Array = ((codes[sizes] << extra | low) << 5) | (bits[sizes] + extra)
    return words


def _bits(differences: Array, words: Array) -> bytes:
    out = np.empty(8 * differences.size + 8, np.uint8)  # 31 bits, and each byte may be stuffed
    return out[: _pack(differences, words, out)].tobytes()


@njit(cache=True, nogil=True)
def _pack(differences: Array, words: Array, out: Array) -> int:
    """Write the words one after the other; a zero byte follows each byte 0xFF (T.81, B.1.1.5)."""
    held = bits = at = 0
    for n in range(differences.size + 1):
        if n < differences.size:
            word = words[differences[n]]
            size = word & 31
            held = held << size | word >> 5
            bits += size
        else:  # ones fill the last byte (T.81, F.1.2.3)
            held = held << 7 | 127
            bits += 7
        while bits >= 8:
            bits -= 8
            byte = held >> bits
            held &= (1 << bits) - 1
            out[at] = byte
            at += 1
            if byte == 255:
                out[at] = 0
                at += 1
    return at


def _head(table: HuffmanTable, tile: tuple[int, int]) -> bytes:
    """The markers before the coded samples (T.81, annex B)."""
    rows, columns = tile
    components = range(_COMPONENTS)
    frame = struct.pack(">BHHB", 16, rows, columns // _COMPONENTS, _COMPONENTS)
    frame += b"".join(struct.pack("BBB", number, 0x11, 0) for number in components)
    huffman = bytes([0, *table.lengths, *table.symbols])
    scan = bytes([_COMPONENTS, *(byte for number in components for byte in (number, 0)), 1, 0, 0])
    segments = ((0xC3, frame), (0xC4, huffman), (0xDA, scan))  # SOF3, DHT, SOS
    return b"\xff\xd8" + b"".join(  # SOI
        struct.pack(">BBH", 0xFF, marker, len(content) + 2) + content
        for marker, content in segments
    )
