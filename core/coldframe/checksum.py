"""The checksum of the FITS standard: the ones' complement sum of 32-bit words.

It guards files against damage, and takes a third of the time of a CRC. A file that is all
zeros, as a power cut may leave it, sums to 0 and no other does.

Source: FITS Standard 4.0, Appendix J.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from coldframe.planes import PIECE, Array

_WORD = 0xFFFFFFFF


def add_words(total: int, data: bytes | Array) -> int:
    """A sum with the big-endian 32-bit words of `data` added; `data` ends in zeros if need be.

    data : bytes, or uint8 and contiguous.
    """
    values = np.frombuffer(data, np.uint8)
    values = np.pad(values, (0, -values.size % 4)) if values.size % 4 else values
    for start in range(0, values.size, PIECE):
        words = values[start : start + PIECE].view(">u4")
        total = added(total, int(words.sum(dtype=np.uint64)))
    return total


def added(*sums: int) -> int:
    """Sums added, each carry out of the 32 bits going round."""
    total = sum(sums)
    while total >> 32:
        total = (total & _WORD) + (total >> 32)
    return total


def file_sum(path: Path) -> int:
    """The sum of a whole file, read a megabyte at a time. Raises OSError."""
    total = 0
    with path.open("rb") as file:
        while chunk := file.read(PIECE):
            total = add_words(total, chunk)
    return total


def encoded(total: int) -> str:
    """The 16 characters that bring a sum to minus zero (Appendix J.2)."""
    value = ~total & _WORD
    out = [0] * 16
    for i in range(4):
        byte = value >> (24 - 8 * i) & 0xFF
        quarter, more = divmod(byte, 4)
        four = [quarter + more + 48, quarter + 48, quarter + 48, quarter + 48]
        for a, b in ((0, 1), (2, 3)):
            while not (chr(four[a]).isalnum() and chr(four[b]).isalnum()):
                four[a] += 1
                four[b] -= 1
        for j in range(4):
            out[4 * j + i] = four[j]
    text = "".join(map(chr, out))
    return text[-1] + text[:-1]
